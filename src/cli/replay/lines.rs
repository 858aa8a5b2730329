//! Lines out of recorded files, plain or gzip.
//!
//! Must never hold more of a file than its longest sensible line and a few blocks.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, sync_channel};
use std::thread;

use anyhow::Context;
use flate2::bufread::MultiGzDecoder;

/// A longer line is not a row of any table; it is skipped without being held in memory.
pub(super) const LONGEST_LINE: usize = 1024 * 1024;
/// First bytes of every gzip file.
const GZIP: [u8; 2] = [0x1f, 0x8b];
const BUFFER: usize = 128 * 1024;
/// Unpacked blocks that may wait for the audit.
const BLOCKS_AHEAD: usize = 4;

/// Opens a file for reading by line. Bytes are counted as they leave the disk. `beside` unpacks on a thread of its own.
pub(in crate::cli) fn open(path: &Path, count: &Arc<AtomicU64>, beside: bool) -> anyhow::Result<Box<dyn BufRead>> {
    let file = File::open(path).context("cannot be opened")?;
    let mut plain = BufReader::with_capacity(BUFFER, Counted { file, count: Arc::clone(count) });
    if !plain.fill_buf().context("cannot be read")?.starts_with(&GZIP) {
        return Ok(Box::new(plain));
    }
    let unpacked = MultiGzDecoder::new(plain);
    Ok(if beside { Box::new(Blocks::of(unpacked)) } else { Box::new(BufReader::with_capacity(BUFFER, unpacked)) })
}

#[derive(Debug, PartialEq, Eq)]
pub(in crate::cli) enum Line {
    Whole,
    Overlong,
    End,
}

/// Reads one line without its end into `line`; what is beyond the longest line is thrown away.
pub(in crate::cli) fn next_line(input: &mut impl BufRead, line: &mut Vec<u8>) -> io::Result<Line> {
    line.clear();
    let read = input.by_ref().take(LONGEST_LINE as u64 + 2).read_until(b'\n', line)?;
    if read == 0 {
        return Ok(Line::End);
    }
    if line.pop_if(|last| *last == b'\n').is_some() {
        line.pop_if(|last| *last == b'\r');
    } else if read > LONGEST_LINE {
        input.skip_until(b'\n')?;
        return Ok(Line::Overlong);
    }
    Ok(if line.len() > LONGEST_LINE { Line::Overlong } else { Line::Whole })
}

/// Counts bytes as they leave the disk, before they are unpacked: that is what the size of a file can be compared with.
struct Counted {
    file: File,
    count: Arc<AtomicU64>,
}

impl Read for Counted {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.file.read(buffer)?;
        self.count.fetch_add(read as u64, Ordering::Relaxed);
        Ok(read)
    }
}

/// What a thread of its own reads, block by block; an empty block is the end. The thread ends when this is dropped.
struct Blocks {
    next: Receiver<io::Result<Vec<u8>>>,
    block: Vec<u8>,
    at: usize,
    ended: bool,
}

impl Blocks {
    fn of(mut input: impl Read + Send + 'static) -> Blocks {
        let (sender, next) = sync_channel(BLOCKS_AHEAD);
        thread::spawn(move || {
            loop {
                let mut block = Vec::with_capacity(BUFFER);
                let read = input.by_ref().take(BUFFER as u64).read_to_end(&mut block);
                let ended = block.is_empty();
                // What was read before an error is still good, so it goes ahead of it.
                if !(ended && read.is_err()) && sender.send(Ok(block)).is_err() {
                    return;
                }
                if let Err(error) = read {
                    let _ = sender.send(Err(error));
                    return;
                }
                if ended {
                    return;
                }
            }
        });
        Blocks { next, block: Vec::new(), at: 0, ended: false }
    }
}

impl Read for Blocks {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.fill_buf()?.read(buffer)?;
        self.consume(read);
        Ok(read)
    }
}

impl BufRead for Blocks {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.at == self.block.len() && !self.ended {
            // Without a word about the end the thread has died, and what was read is not the whole.
            self.block = self.next.recv().map_err(|_| io::Error::other("unpacking failed inside"))??;
            self.at = 0;
            self.ended = self.block.is_empty();
        }
        Ok(&self.block[self.at..])
    }

    fn consume(&mut self, amount: usize) {
        self.at += amount;
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use flate2::Compression;
    use flate2::write::GzEncoder;

    use super::*;

    #[test]
    fn lines_are_read_whole_and_never_held_when_too_long() {
        let mut text = b"a,b\r\nc\n".to_vec();
        text.extend(vec![b'x'; 3 * LONGEST_LINE]);
        text.extend(b"\nlast");
        let (mut input, mut line, mut seen) = (&text[..], Vec::new(), Vec::new());
        loop {
            match next_line(&mut input, &mut line).unwrap() {
                Line::Whole => seen.push(String::from_utf8(line.clone()).unwrap()),
                Line::Overlong => seen.push("overlong".to_owned()),
                Line::End => break,
            }
            assert!(line.len() <= LONGEST_LINE + 2);
        }
        assert_eq!(seen, ["a,b", "c", "overlong", "last"]);
    }

    /// Text of more blocks than may wait, packed.
    fn packed() -> (Vec<u8>, Vec<u8>) {
        let text: Vec<u8> = (0..200_000).flat_map(|n| format!("{n},{}\n", n * 7919 % 1000).into_bytes()).collect();
        let mut packer = GzEncoder::new(Vec::new(), Compression::fast());
        packer.write_all(&text).unwrap();
        (text, packer.finish().unwrap())
    }

    #[test]
    fn a_file_is_the_same_plain_packed_and_unpacked_beside() {
        let (text, packed) = packed();
        assert!(text.len() > (BLOCKS_AHEAD + 2) * BUFFER);
        let folder = tempfile::tempdir().unwrap();
        for (name, bytes, beside) in
            [("plain.csv", &text, true), ("packed.csv.gz", &packed, false), ("packed.csv.gz", &packed, true)]
        {
            let path = folder.path().join(name);
            std::fs::write(&path, bytes).unwrap();
            let count = Arc::default();
            let mut read = Vec::new();
            open(&path, &count, beside).unwrap().read_to_end(&mut read).unwrap();
            assert!(read == text, "{name}, beside: {beside}");
            assert_eq!(count.load(Ordering::Relaxed), bytes.len() as u64);
        }
    }

    #[test]
    fn a_packed_file_cut_short_gives_what_it_holds_and_then_an_error() {
        let (text, packed) = packed();
        let mut input = Blocks::of(MultiGzDecoder::new(io::Cursor::new(packed[..packed.len() / 2].to_vec())));
        let mut read = Vec::new();
        assert!(input.read_to_end(&mut read).is_err());
        assert!(read.len() > BUFFER && text.starts_with(&read));
    }
}
