//! The server's own registers, at address 0 of the audit unit: that it is alive, and where the blocks are.
//!
//! Made from one table like the blocks.

use super::audit_table::{BLOCK_STRIDE, LAYOUT_VERSION, unix_s};
use super::words::{Kind, Value, lay_out};
use crate::reading::Instant2;

/// Registers of the server.
pub const SERVER_LENGTH: u16 = 18;
/// First register of every wattassay server: the letters "WA".
pub const MARKER: u16 = 0x5741;

/// What the registers tell of.
#[derive(Debug, Clone, Copy)]
pub struct ServerView {
    /// Both clocks now.
    pub now: Instant2,
    /// Highest number of a block.
    pub highest_block: u16,
}

/// One value.
pub struct ServerRow {
    /// Address.
    pub offset: u16,
    /// Tag name.
    pub name: &'static str,
    /// Layout.
    pub kind: Kind,
    /// Unit of measure; empty for none.
    pub unit: &'static str,
    /// What it says.
    pub meaning: &'static str,
    /// Where it comes from.
    pub get: fn(&ServerView) -> Value,
}

/// The table.
pub const SERVER_ROWS: &[ServerRow] = &[
    ServerRow {
        offset: 0,
        name: "marker",
        kind: Kind::U16,
        unit: "",
        meaning: "0x5741, the letters WA",
        get: |_| MARKER.into(),
    },
    ServerRow {
        offset: 1,
        name: "layout_version",
        kind: Kind::U16,
        unit: "",
        meaning: "version of this layout",
        get: |_| LAYOUT_VERSION.into(),
    },
    ServerRow {
        offset: 2,
        name: "heartbeat",
        kind: Kind::U16,
        unit: "s",
        meaning: "counts up once a second, modulo 65536, while the daemon is alive",
        get: |view| Value::Whole((view.now.mono.0 / 1000) & 0xFFFF),
    },
    ServerRow {
        offset: 3,
        name: "highest_block",
        kind: Kind::U16,
        unit: "",
        meaning: "highest number of a block",
        get: |view| view.highest_block.into(),
    },
    ServerRow {
        offset: 4,
        name: "block_stride",
        kind: Kind::U16,
        unit: "",
        meaning: "block n starts at n times this",
        get: |_| BLOCK_STRIDE.into(),
    },
    ServerRow {
        offset: 6,
        name: "time",
        kind: Kind::U32,
        unit: "s",
        meaning: "the daemon's clock, Unix time UTC",
        get: |view| unix_s(view.now.wall.0).into(),
    },
    ServerRow {
        offset: 8,
        name: "uptime",
        kind: Kind::U32,
        unit: "s",
        meaning: "since the daemon started",
        get: |view| Value::Whole(view.now.mono.0 / 1000),
    },
    ServerRow {
        offset: 10,
        name: "version",
        kind: Kind::Text(8),
        unit: "",
        meaning: "version of wattassay",
        get: |_| Value::Text(env!("CARGO_PKG_VERSION").to_owned()),
    },
];

/// All of the server's registers.
pub fn server_registers(view: &ServerView) -> [u16; SERVER_LENGTH as usize] {
    let mut words = [0; SERVER_LENGTH as usize];
    for row in SERVER_ROWS {
        let at = usize::from(row.offset);
        lay_out(row.kind, &(row.get)(view), &mut words[at..at + usize::from(row.kind.width())]);
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::fixtures::instant;

    #[test]
    fn the_heartbeat_counts_seconds_and_rows_fit() {
        let words = |ms| server_registers(&ServerView { now: instant(ms), highest_block: 3 });
        assert_eq!(words(5_999)[..5], [MARKER, 1, 5, 3, 200]);
        assert_eq!(words(65_536_000)[2], 0);
        let mut next = 0;
        for row in SERVER_ROWS {
            assert!(row.offset >= next, "{}", row.name);
            next = row.offset + row.kind.width();
        }
        assert!(next <= SERVER_LENGTH && SERVER_LENGTH <= BLOCK_STRIDE);
    }
}
