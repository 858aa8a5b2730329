//! Each bad value of a map file gives exactly the words that help to mend it.

use super::*;

/// One line of a good file, what stands there instead, and all problems that follow.
type Case = (&'static str, &'static str, &'static [&'static str]);

fn check(cases: &[Case]) {
    for (from, to, problems) in cases {
        assert_eq!(told_of_map(&with(SMALL_MAP, from, to)), *problems, "{to}");
    }
}

/// A name for the case, the whole file, and all its problems.
type WholeCase = (&'static str, String, &'static [&'static str]);

fn check_whole(cases: &[WholeCase]) {
    for (name, text, problems) in cases {
        assert_eq!(told_of_map(text), *problems, "{name}");
    }
}

#[test]
fn a_bad_head_is_told() {
    check(&[
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
            &[r#"m.toml:11:8: points.type: function 1 reads single bits; write type = "bit", or use function 3 or 4"#],
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
            &["m.toml:7:1: points: expected a list of tables, found a table; write the header of each as [[points]]"],
        ),
    ]);
}

#[test]
fn a_bad_point_is_told() {
    check(&[
        (
            "quantity = \"current\"\n",
            "",
            &[
                r#"m.toml:7:1: points.quantity: this key is missing; say what the point measures, for example quantity = "current""#,
            ],
        ),
        (
            r#"quantity = "current""#,
            r#"quantity = "amps""#,
            &[
                r#"m.toml:8:12: points.quantity: "amps" is not a choice here; choose one of voltage-ln, voltage-ll, voltage-angle, frequency, current, current-angle, active-power, reactive-power, apparent-power, power-factor, energy-import, energy-export, run-status"#,
            ],
        ),
        (
            r#"quantity = "current""#,
            r#"quantity = "voltage-ll""#,
            &[
                r#"m.toml:9:11: points.channel: "1" is not a channel of voltage-ll; channels of voltage-ll: "12", "23", "31""#,
                "m.toml:12:8: points.unit: voltage is in V, not A; units of voltage-ll: V, kV, mV",
            ],
        ),
        (
            "channel = \"1\"\n",
            "",
            &[r#"m.toml:7:1: points.channel: this key is missing; write the channel: "1", "2", "3""#],
        ),
        (
            r#"channel = "1""#,
            "channel = 1",
            &[
                r#"m.toml:9:11: points.channel: expected text in quotes, found the number 1; write for example channel = "1""#,
            ],
        ),
        (
            r#"channel = "1""#,
            r#"channel = "total""#,
            &[
                r#"m.toml:9:11: points.channel: "total" is not a channel of current; channels of current: "1", "2", "3""#,
            ],
        ),
        (
            r#"channel = "1""#,
            r#"channel = "12""#,
            &[r#"m.toml:9:11: points.channel: "12" is not a channel of current; channels of current: "1", "2", "3""#],
        ),
        (
            "address = 10\n",
            "",
            &[
                "m.toml:7:1: points.address: this key is missing; write the address of the first register, for example address = 10",
            ],
        ),
        (
            "address = 10",
            "address = 65536",
            &[
                r#"m.toml:10:11: points.address: 65536 is not an address in this map's addressing; addressing = "protocol" counts from 0 to 65535"#,
            ],
        ),
        (
            "address = 10",
            "address = -1",
            &["m.toml:10:11: points.address: -1 is out of range; address is a whole number from 0 to 999999"],
        ),
        (
            "address = 10",
            r#"address = "10""#,
            &[
                r#"m.toml:10:11: points.address: expected a whole number, found the text "10"; address is a whole number from 0 to 999999"#,
            ],
        ),
        (
            "type = \"u16\"\n",
            "",
            &[r#"m.toml:7:1: points.type: this key is missing; say how the value is packed, for example type = "f32""#],
        ),
        (
            r#"type = "u16""#,
            r#"type = "uint16""#,
            &[
                r#"m.toml:11:8: points.type: "uint16" is not a choice here; choose one of u16, i16, u32, i32, u64, i64, f32, f64, bit, bits, bcd16, bcd32, mod10k32, mod10k48, mod10k64"#,
            ],
        ),
        (
            r#"type = "u16""#,
            r#"type = "u8""#,
            &[
                r#"m.toml:11:8: points.type: "u8" is not a choice here; choose one of u16, i16, u32, i32, u64, i64, f32, f64, bit, bits, bcd16, bcd32, mod10k32, mod10k48, mod10k64"#,
            ],
        ),
        (
            r#"type = "u16""#,
            r#"type = "bit""#,
            &[
                r#"m.toml:11:8: points.type: function 3 reads registers, not single bits; for one bit of a register use type = "bits" with bits = [number, 1]; coils and discrete inputs are functions 1 and 2"#,
            ],
        ),
        (
            r#"type = "u16""#,
            "type = \"bit\"\nfunction = 2",
            &[
                r#"m.toml:11:8: points.type: a single bit cannot hold a measured value; type = "bit" is for quantity = "run-status""#,
            ],
        ),
        (
            r#"type = "u16""#,
            r#"type = "bits""#,
            &[
                "m.toml:7:1: points.bits: this key is missing; write the lowest bit and the number of bits, for example bits = [4, 2]",
            ],
        ),
        (
            r#"type = "u16""#,
            "type = \"bits\"\nbits = [12, 5]",
            &[
                "m.toml:12:8: points.bits: this is not a field of bits in one register; write the lowest bit (0 to 15) and the number of bits, together at most 16, for example bits = [4, 2]",
            ],
        ),
        (
            r#"type = "u16""#,
            "type = \"u16\"\nbits = [0, 4]",
            &[
                r#"m.toml:12:8: points.bits: only type = "bits" has a bit field; take this key out, or write type = "bits""#,
            ],
        ),
        (
            "unit = \"A\"\n",
            "",
            &["m.toml:7:1: points.unit: this key is missing; write the unit of the scaled value: A, mA"],
        ),
        (
            r#"unit = "A""#,
            r#"unit = "V""#,
            &["m.toml:12:8: points.unit: current is in A, not V; units of current: A, mA"],
        ),
        (
            r#"unit = "A""#,
            r#"unit = "ma""#,
            &[r#"m.toml:12:8: points.unit: "ma" is not a unit known here; write "mA" (case matters)"#],
        ),
        (
            r#"unit = "A""#,
            r#"unit = "amps""#,
            &[r#"m.toml:12:8: points.unit: "amps" is not a unit known here; units of current: A, mA"#],
        ),
        (
            "scale = 0.1",
            "scale = 0",
            &["m.toml:13:9: points.scale: a scale of 0 makes every value 0; leave scale out for 1"],
        ),
        (
            "scale = 0.1",
            "scale = inf",
            &[
                "m.toml:13:9: points.scale: expected a finite number, found the number inf; write for example scale = 0.1",
            ],
        ),
        (
            "scale = 0.1",
            r#"scale = "0.1""#,
            &[
                r#"m.toml:13:9: points.scale: expected a finite number, found the text "0.1"; write for example scale = 0.1"#,
            ],
        ),
        (
            "scale = 0.1",
            "offset = nan",
            &[
                "m.toml:13:10: points.offset: expected a finite number, found the number nan; write for example offset = 0.0",
            ],
        ),
        (
            "scale = 0.1",
            "scale_register = 10",
            &[
                "m.toml:13:18: points.scale_register: this register is part of the value at line 7; a scale register holds nothing but a power of ten",
            ],
        ),
        (
            "scale = 0.1",
            "scale_register_repeats = true",
            &["m.toml:13:26: points.scale_register_repeats: this point has no scale_register; take this key out"],
        ),
        (
            "scale = 0.1",
            r#"not_available = [65536, -1, "0x", "0xFFFFF", "zz", 1.5]"#,
            &[
                r#"m.toml:13:18: points.not_available: this raw value does not fit in 16 bits; write raw values of 16 bits as whole numbers or hexadecimal text, for example ["0x8000"]"#,
                r#"m.toml:13:25: points.not_available: this raw value does not fit in 16 bits; write raw values of 16 bits as whole numbers or hexadecimal text, for example ["0x8000"]"#,
                r#"m.toml:13:29: points.not_available: this is not a raw register value; write raw values of 16 bits as whole numbers or hexadecimal text, for example ["0x8000"]"#,
                r#"m.toml:13:35: points.not_available: this raw value does not fit in 16 bits; write raw values of 16 bits as whole numbers or hexadecimal text, for example ["0x8000"]"#,
                r#"m.toml:13:46: points.not_available: this is not a raw register value; write raw values of 16 bits as whole numbers or hexadecimal text, for example ["0x8000"]"#,
                r#"m.toml:13:52: points.not_available: expected a raw register value, found the number 1.5; write raw values of 16 bits as whole numbers or hexadecimal text, for example ["0x8000"]"#,
            ],
        ),
        (
            "scale = 0.1",
            "not_available = 65535",
            &[
                r#"m.toml:13:17: points.not_available: expected a list, found the number 65535; write for example not_available = ["0x8000"]"#,
            ],
        ),
        (
            "scale = 0.1",
            "sacle = 0.1",
            &[
                "m.toml:13:1: points.sacle: this key is not known; keys known here: address, bits, byte_order, channel, function, not_available, offset, quantity, scale, scale_register, scale_register_repeats, type, unit",
            ],
        ),
        (
            r#"addressing = "protocol""#,
            "addressing = \"reference\"\nlimits = { forbidden = [[0, 5]] }",
            &[
                r#"m.toml:5:25: limits.forbidden: 0 is not an address in this map's addressing; addressing = "reference" counts from 1 to 65536"#,
            ],
        ),
    ]);
}

#[test]
fn what_must_hold_between_points_is_told() {
    check_whole(&[
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
            "scale repeats",
            with(
                &with(SMALL_MAP, "function = 3", "function = 3\nslots = 2\nslot_stride = 20"),
                "scale = 0.1",
                "scale_register = 55",
            ),
            &[
                "m.toml:9:1: points.scale_register_repeats: this key is missing; write true when each circuit has its own scale register one slot_stride further, false when all share one",
            ],
        ),
        (
            "last address",
            with(&with(SMALL_MAP, "u16", "f64"), "address = 10", "address = 65533"),
            &[
                "m.toml:10:11: points.address: this value runs past address 65535; check address, type, slots and slot_stride",
            ],
        ),
        ("last good address", with(&with(SMALL_MAP, "u16", "f64"), "address = 10", "address = 65532"), &["no problem"]),
        (
            "no points",
            SMALL_MAP.split("[[points]]").next().unwrap_or_default().to_owned(),
            &["m.toml:1:1: points: this key is missing; list the registers, each under its own [[points]] header"],
        ),
        (
            "empty",
            "".to_owned(),
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
    ]);
}
