//! Each bad value at the head of a map file, and between its points, gives exactly the words that help to mend it.

use super::*;

#[test]
fn a_bad_head_is_told() {
    check(
        told_of_map,
        SMALL_MAP,
        &[
            ("version = 1\n", "", &["m.toml:1:1: version: this key is missing; write version = 1"]),
            ("version = 1", "version = 2", &["m.toml:1:11: version: 2 is out of range; write version = 1"]),
            (
                "name = \"small\"\n",
                "",
                &[r#"m.toml:1:1: name: this key is missing; name the map, for example name = "my-monitor""#],
            ),
            (
                r#"name = "small""#,
                r#"name = "a map""#,
                &[
                    r#"m.toml:2:8: name: "a map" cannot be the name of a map; use letters, digits and - _ . without blanks, at most 64, for example "my-monitor""#,
                ],
            ),
            (
                "title = \"Small monitor\"\n",
                "",
                &[
                    r#"m.toml:1:1: title: this key is missing; say in one line what the monitor is, for example title = "Monitor, watts per channel""#,
                ],
            ),
            (
                "addressing = \"protocol\"\n",
                "",
                &[
                    r#"m.toml:1:1: addressing: this key is missing; say how the manual writes addresses: "protocol" (from 0), "reference" (from 1), "reference-5" (40001) or "reference-6" (400001)"#,
                ],
            ),
            (
                r#"addressing = "protocol""#,
                r#"addressing = "modbus""#,
                &[
                    r#"m.toml:4:14: addressing: "modbus" is not a choice here; choose one of protocol, reference, reference-5, reference-6"#,
                ],
            ),
            (
                "function = 3\n",
                "",
                &[
                    "m.toml:6:1: points.function: this key is missing; write function = 3 here, or once at the head of the file",
                ],
            ),
            (
                "function = 3",
                "function = 5",
                &["m.toml:5:12: function: 5 is out of range; function is a whole number from 1 to 4"],
            ),
            (
                "function = 3",
                "function = 1",
                &[
                    r#"m.toml:11:8: points.type: function 1 reads single bits; write type = "bit", or use function 3 or 4"#,
                ],
            ),
            (
                "function = 3",
                "function = 3\nbyte_order = \"BACD\"",
                &[r#"m.toml:6:14: byte_order: "BACD" is not a choice here; choose one of ABCD, CDAB, BADC, DCBA"#],
            ),
            (
                "function = 3",
                "function = 3\nslots = 33",
                &["m.toml:6:9: slots: 33 is out of range; slots is a whole number from 1 to 32"],
            ),
            (
                "function = 3",
                "function = 3\nslots = 2",
                &[
                    "m.toml:1:1: slot_stride: this key is missing; with more than one slot, say how many addresses further the next circuit's registers are, for example slot_stride = 100",
                ],
            ),
            (
                "function = 3",
                "function = 3\nslots = 2\nslot_stride = 0",
                &[
                    "m.toml:7:15: slot_stride: a stride of 0 puts all circuits on the same registers; write how far apart they are, for example slot_stride = 100",
                ],
            ),
            (
                "function = 3",
                "function = 3\nslots = 2\nslot_stride = 65530",
                &[
                    "m.toml:12:11: points.address: this value (slot 2) runs past address 65535; check address, type, slots and slot_stride",
                ],
            ),
            (
                "function = 3",
                "function = 3\nlimits = { max_registers = 126, max_bits = 0, max_gap = -1, forbidden = [[5], 7, [9, 3], [1, 70000]] }",
                &[
                    "m.toml:6:28: limits.max_registers: 126 is out of range; max_registers is a whole number from 1 to 125",
                    "m.toml:6:44: limits.max_bits: 0 is out of range; max_bits is a whole number from 1 to 2000",
                    "m.toml:6:57: limits.max_gap: -1 is out of range; max_gap is a whole number from 0 to 124",
                    "m.toml:6:74: limits.forbidden: a range has two ends; write each range as first and last address, for example forbidden = [[100, 109]]",
                    "m.toml:6:79: limits.forbidden: expected a range of two addresses, found the number 7; write each range as first and last address, for example forbidden = [[100, 109]]",
                    "m.toml:6:82: limits.forbidden: this range ends before it begins; write [3, 9]",
                    r#"m.toml:6:90: limits.forbidden: 70000 is not an address in this map's addressing; addressing = "protocol" counts from 0 to 65535"#,
                ],
            ),
            (
                "function = 3",
                "function = 3\nlimits = { forbidden = [[8, 12]] }",
                &[
                    "m.toml:11:11: points.address: this point lies in the range that line 6 forbids; move the point, or narrow limits.forbidden",
                ],
            ),
            (
                "function = 3",
                "function = 3\nlimits = { max_register = 10 }",
                &["m.toml:6:12: limits.max_register: this key is not known; did you mean max_registers?"],
            ),
            (
                "[[points]]",
                "[points]",
                &[
                    "m.toml:7:1: points: expected a list of tables, found a table; write the header of each as [[points]]",
                ],
            ),
        ],
    );
}

#[test]
fn what_must_hold_between_points_is_told() {
    check_whole(
        told_of_map,
        &[
            (
                "duplicate target",
                format!(
                    "{SMALL_MAP}[[points]]\nquantity = \"current\"\nchannel = \"1\"\naddress = 20\ntype = \"u16\"\nunit = \"A\"\n"
                ),
                &[
                    "m.toml:14:1: points: a second point for the same quantity and channel; the first is at line 7; keep one, or correct quantity or channel",
                ],
            ),
            (
                "overlap",
                format!(
                    "{SMALL_MAP}[[points]]\nquantity = \"current\"\nchannel = \"2\"\naddress = 9\ntype = \"u32\"\nunit = \"A\"\n"
                ),
                &[
                    "m.toml:17:11: points.address: protocol address 10 is also read by the point at line 7; check address and type of both",
                ],
            ),
            (
                "overlap of slots",
                with(SMALL_MAP, "function = 3", "function = 3\nslots = 3\nslot_stride = 1").replace("u16", "f32"),
                &[
                    "m.toml:12:11: points.address: protocol address 11 (slot 2) is also read by the point at line 9; check address and type of both, and slot_stride",
                ],
            ),
            (
                "overlap across slots",
                format!(
                    "{}[[points]]\nquantity = \"current\"\nchannel = \"2\"\naddress = 30\ntype = \"u16\"\nunit = \"A\"\n",
                    with(SMALL_MAP, "function = 3", "function = 3\nslots = 2\nslot_stride = 20")
                ),
                &[
                    "m.toml:19:11: points.address: protocol address 30 is also read by the point at line 9 (slot 2); check address and type of both, and slot_stride",
                ],
            ),
            (
                "bits overlap",
                format!(
                    "{}[[points]]\nquantity = \"current\"\nchannel = \"2\"\naddress = 10\ntype = \"bits\"\nbits = [7, 2]\n#\nunit = \"A\"\n",
                    with(SMALL_MAP, "\"u16\"", "\"bits\"\nbits = [0, 8]")
                ),
                &[
                    "m.toml:18:11: points.address: protocol address 10 is also read by the point at line 7; check address and type of both",
                ],
            ),
            (
                "digit",
                with(&with(SMALL_MAP, "protocol", "reference-5"), "address = 10", "address = 30011"),
                &[
                    "m.toml:10:11: points.address: 30011 begins with 3 (input registers, function 4), but is read with function 3; write 40011, or set function = 4",
                ],
            ),
            (
                "digit range",
                with(
                    &with(
                        SMALL_MAP,
                        "addressing = \"protocol\"",
                        "addressing = \"reference-6\"\nlimits.forbidden = [[300001, 400005]]",
                    ),
                    "address = 10",
                    "address = 400011",
                ),
                &[
                    "m.toml:5:21: limits.forbidden: the two ends begin with different digits; split the range, one for each kind of register",
                ],
            ),
            (
                "forbidden scale",
                with(
                    &with(SMALL_MAP, "function = 3", "function = 3\nlimits.forbidden = [[50, 60]]"),
                    "scale = 0.1",
                    "scale_register = 55",
                ),
                &[
                    "m.toml:14:18: points.scale_register: this register lies in the range that line 6 forbids; move it, or narrow limits.forbidden",
                ],
            ),
            (
                "wide",
                with(&with(SMALL_MAP, "function = 3", "function = 3\nlimits.max_registers = 1"), "u16", "f32"),
                &[
                    "m.toml:11:11: points.address: this value takes 2 registers, but limits.max_registers is 1; a value must fit in one read",
                ],
            ),
            (
                "last address",
                with(&with(SMALL_MAP, "u16", "f64"), "address = 10", "address = 65533"),
                &[
                    "m.toml:10:11: points.address: this value runs past address 65535; check address, type, slots and slot_stride",
                ],
            ),
            (
                "last good address",
                with(&with(SMALL_MAP, "u16", "f64"), "address = 10", "address = 65532"),
                &["no problem"],
            ),
            (
                "no points",
                SMALL_MAP.split("[[points]]").next().unwrap_or_default().to_owned(),
                &["m.toml:1:1: points: this key is missing; list the registers, each under its own [[points]] header"],
            ),
            (
                "empty",
                String::new(),
                &[
                    r#"m.toml:1:1: name: this key is missing; name the map, for example name = "my-monitor""#,
                    "m.toml:1:1: version: this key is missing; write version = 1",
                    r#"m.toml:1:1: title: this key is missing; say in one line what the monitor is, for example title = "Monitor, watts per channel""#,
                    r#"m.toml:1:1: addressing: this key is missing; say how the manual writes addresses: "protocol" (from 0), "reference" (from 1), "reference-5" (40001) or "reference-6" (400001)"#,
                    "m.toml:1:1: points: this key is missing; list the registers, each under its own [[points]] header",
                ],
            ),
            (
                "scale overflow",
                with(
                    &with(&with(SMALL_MAP, "\"current\"", "\"energy-import\""), "channel = \"1\"\n", ""),
                    "unit = \"A\"\nscale = 0.1",
                    "unit = \"MWh\"\nscale = 1e306",
                ),
                &[
                    "m.toml:12:9: points.scale: scale or offset is beyond what a number can hold; check scale, offset and unit",
                ],
            ),
            (
                "bit with scale register",
                with(
                    &with(SMALL_MAP, "\"current\"\nchannel = \"1\"", "\"run-status\"\nfunction = 2"),
                    "u16\"\nunit = \"A\"\nscale = 0.1",
                    "bit\"\nscale_register = 3",
                ),
                &[
                    "m.toml:12:18: points.scale_register: a single bit has no scale register; take this key out, or use function 3 or 4",
                ],
            ),
        ],
    );
}
