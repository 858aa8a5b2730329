"""Packs numbers into Modbus registers, and back, by the published layouts; struct and decimal digits only."""

import struct

FORMATS = {"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "u64": ">Q", "i64": ">q", "f32": ">f", "f64": ">d"}
DIGITS = {"bcd16": 4, "bcd32": 8, "base10000x2": 8, "base10000x3": 12, "base10000x4": 16}
UNITS = {
    "V": 1.0, "kV": 1e3, "mV": 1e-3, "A": 1.0, "mA": 1e-3, "kA": 1e3, "W": 1.0, "kW": 1e3, "MW": 1e6,
    "var": 1.0, "kvar": 1e3, "Mvar": 1e6, "VA": 1.0, "kVA": 1e3, "MVA": 1e6, "Wh": 1.0, "kWh": 1e3, "MWh": 1e6,
    "Hz": 1.0, "deg": 1.0, "1": 1.0, "%": 0.01,
}  # fmt: skip


def width(kind):
    """Registers (or bits) a value takes."""
    if kind in FORMATS:
        return struct.calcsize(FORMATS[kind]) // 2
    if kind in DIGITS:
        return DIGITS[kind] // 4
    return 1


def ordered(words, order):
    """ABCD: as is; C before A: low word first; B before A: bytes swapped in each word. Its own inverse.

    A single register is big-endian by the protocol (V1.1b3 clause 4.2), whatever order a map gives.
    """
    if len(words) == 1:
        return words
    if order in ("CDAB", "DCBA"):
        words = words[::-1]
    if order in ("BADC", "DCBA"):
        words = [(word >> 8) | ((word & 0xFF) << 8) for word in words]
    return words


def encode(kind, raw, order):
    """Registers holding `raw`, an integer (or a float for f32 and f64; the whole register for "bits")."""
    if kind in FORMATS:
        data = struct.pack(FORMATS[kind], raw)
        words = list(struct.unpack(f">{len(data) // 2}H", data))
    elif kind in DIGITS:
        text = f"{raw:0{DIGITS[kind]}d}"
        assert len(text) == DIGITS[kind], f"{raw} has too many digits for {kind}"
        groups = [text[n : n + 4] for n in range(0, len(text), 4)]
        words = [int(group, 16 if kind.startswith("bcd") else 10) for group in groups]
    elif kind == "bits":
        words = [raw]
    else:
        raise ValueError(f"no register layout for {kind}")
    return ordered(words, order)


def decode(kind, words, order, bits=None):
    """The raw number in registers; the inverse of `encode`, except that "bits" picks out its field."""
    words = ordered(list(words), order)
    if kind in FORMATS:
        return struct.unpack(FORMATS[kind], struct.pack(f">{len(words)}H", *words))[0]
    if kind in DIGITS:
        base = "x" if kind.startswith("bcd") else "d"
        return int("".join(f"{word:04{base}}" for word in words))
    lowest, size = bits
    return (words[0] >> lowest) & ((1 << size) - 1)
