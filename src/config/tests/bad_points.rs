//! Each bad value of a point gives exactly the words that help to mend it.

use super::*;

#[test]
fn a_bad_point_is_told() {
    check(
        told_of_map,
        SMALL_MAP,
        &[
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
                    r#"m.toml:8:12: points.quantity: "amps" is not a choice here; did you mean "current"? (choices: voltage-ln, voltage-ll, voltage-angle, frequency, current, current-angle, active-power, reactive-power, apparent-power, power-factor, energy-import, energy-export, run-status, flow, head, suction-pressure, discharge-pressure)"#,
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
                &[
                    r#"m.toml:9:11: points.channel: "12" is not a channel of current; channels of current: "1", "2", "3""#,
                ],
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
                &[
                    r#"m.toml:7:1: points.type: this key is missing; say how the value is packed, for example type = "f32""#,
                ],
            ),
            (
                r#"type = "u16""#,
                r#"type = "uint16""#,
                &[
                    r#"m.toml:11:8: points.type: "uint16" is not a choice here; did you mean "u16"? (choices: u16, i16, u32, i32, u64, i64, f32, f64, bit, bits, bcd16, bcd32, base10000x2, base10000x3, base10000x4)"#,
                ],
            ),
            (
                r#"type = "u16""#,
                r#"type = "u8""#,
                &[
                    r#"m.toml:11:8: points.type: "u8" is not a choice here; choose one of u16, i16, u32, i32, u64, i64, f32, f64, bit, bits, bcd16, bcd32, base10000x2, base10000x3, base10000x4"#,
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
        ],
    );
}
