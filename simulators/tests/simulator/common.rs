//! Stations and a bare-bytes client shared by the tests.

use std::net::SocketAddr;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use wattassay_simulators::{MeterSample, Station, StationFile};

/// How long a test waits for bytes that must come; only a broken server ever uses it up.
const PATIENCE: Duration = Duration::from_secs(20);

/// 277 V to neutral, a motor that at full load draws exactly 100 A at 0.85 lagging: the case of the published table.
pub const TABLE_CASE: &str = r#"
name = "Table"
seed = 1
[source]
line_voltage_v = 479.7780737
[[pumps]]
name = "Pump 1"
load = "induction-motor"
rated_power_w = 59656.0
rated_voltage_v = 479.7780737
full_load_current_a = 100.0
full_load_power_factor = 0.85
schedule = [{ at_s = 0.0, load = 1.0 }]
[[monitors]]
name = "PM-1"
listen = "127.0.0.1:0"
map = "sunspec-213"
circuits = ["Pump 1"]
currents = [["A", "B", "C"]]
"#;

/// The table case as data, to be changed by a test.
pub fn table_case() -> StationFile {
    StationFile::from_toml(TABLE_CASE).expect("a good station")
}

/// Leads from a short text: "A -B C".
pub fn leads(text: &str) -> [String; 3] {
    let words: Vec<String> = text.split(' ').map(str::to_owned).collect();
    words.try_into().expect("three leads")
}

/// What the first monitor meters, well after every start.
pub fn metered(file: &StationFile) -> MeterSample {
    Station::new(file).expect("a possible station").meter(0, 10.0).expect("a first monitor")
}

pub fn close(got: f64, expected: f64, within: f64, what: &str) {
    assert!((got - expected).abs() <= within, "{what}: {got}, expected {expected} within {within}");
}

/// A connection that sends and receives bare bytes.
pub struct Client(TcpStream);

impl Client {
    pub async fn connect(address: SocketAddr) -> Client {
        Client(TcpStream::connect(address).await.expect("the listener is bound"))
    }

    pub async fn send(&mut self, bytes: &[u8]) {
        self.0.write_all(bytes).await.expect("the connection is open");
    }

    /// Exactly so many bytes.
    pub async fn receive(&mut self, count: usize) -> Vec<u8> {
        let mut bytes = vec![0; count];
        tokio::time::timeout(PATIENCE, self.0.read_exact(&mut bytes)).await.expect("bytes come").expect("open");
        bytes
    }

    /// One whole MBAP frame.
    pub async fn receive_frame(&mut self) -> Vec<u8> {
        let mut frame = self.receive(6).await;
        let length = usize::from(u16::from_be_bytes([frame[4], frame[5]]));
        frame.extend(self.receive(length).await);
        frame
    }

    pub async fn ask(&mut self, frame: &[u8]) -> Vec<u8> {
        self.send(frame).await;
        self.receive_frame().await
    }

    /// True when the server has closed the connection and nothing more came.
    pub async fn is_closed(&mut self) -> bool {
        let mut byte = [0];
        // A reset is as much an end as an orderly close.
        matches!(tokio::time::timeout(PATIENCE, self.0.read(&mut byte)).await.expect("an end comes"), Ok(0) | Err(_))
    }
}

/// An MBAP read request for unit 1.
pub fn read_request(transaction: u16, function: u8, address: u16, quantity: u16) -> Vec<u8> {
    let ([t1, t2], [a1, a2], [q1, q2]) = (transaction.to_be_bytes(), address.to_be_bytes(), quantity.to_be_bytes());
    vec![t1, t2, 0, 0, 0, 6, 1, function, a1, a2, q1, q2]
}
