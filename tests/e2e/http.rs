//! Just enough of an HTTP client for the outer tests: requests one after the other over one stream.

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};

/// What came back.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: String,
}

impl Answer {
    /// The value of a header; its name in small letters.
    pub fn header(&self, name: &str) -> Option<&str> {
        let of_line = |line: &'_ str| line.split_once(": ").is_some_and(|(found, _)| found.eq_ignore_ascii_case(name));
        self.head.lines().find(|line| of_line(line)).and_then(|line| line.split_once(": ")).map(|(_, value)| value)
    }

    /// The body as JSON.
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.body).unwrap_or_else(|error| panic!("{error}: {self:?}"))
    }
}

/// Sends a request and reads its answer; none when the stream ended first.
pub async fn ask(
    stream: &mut (impl AsyncRead + AsyncWrite + Unpin),
    request: &str,
    headers: &[(&str, &str)],
    body: &str,
) -> Option<Answer> {
    let lines: Vec<String> = headers.iter().map(|(name, value)| format!("{name}: {value}\r\n")).collect();
    let headers = lines.concat();
    let length = body.len();
    let text = format!("{request} HTTP/1.1\r\nHost: localhost\r\nContent-Length: {length}\r\n{headers}\r\n{body}");
    stream.write_all(text.as_bytes()).await.ok()?;
    stream.flush().await.ok()?;
    let mut head = Vec::new();
    while !head.ends_with(b"\r\n\r\n") {
        head.push(stream.read_u8().await.ok()?);
    }
    let head = String::from_utf8(head).unwrap();
    let status = head.split(' ').nth(1)?.parse().ok()?;
    let mut answer = Answer { status, head, body: String::new() };
    let length = answer.header("content-length").map_or(0, |length| length.parse().unwrap());
    let mut body = vec![0; length];
    stream.read_exact(&mut body).await.ok()?;
    answer.body = String::from_utf8(body).unwrap();
    Some(answer)
}
