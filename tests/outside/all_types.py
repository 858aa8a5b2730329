"""The raw values behind all_types.toml, and what a reader of that map must make of them.

Every byte of most values differs from its neighbours, so that no wrong order gives the right number by chance.
"""

import tomllib
from pathlib import Path

from registers import UNITS, encode, width

MAP_FILE = Path(__file__).resolve().parent / "all_types.toml"
ORDERS = ["ABCD", "CDAB", "BADC", "DCBA"]
NAN = float("nan")
FILLER = 0x5AA6  # In every register no point uses; a read one register off meets it.
WIDE = ("voltage-ln", "voltage-ll", "voltage-angle", "frequency")

# (quantity, channel): raw value in slot 1 and slot 2; monitor-wide quantities have one.
RAW = {
    ("voltage-ln", "1"): (27713,),
    ("voltage-ln", "2"): (276.8671875,),
    ("voltage-ln", "3"): (277.41421356237309,),
    ("voltage-ll", "12"): (480123456,),
    ("voltage-ll", "23"): (47987654,),
    ("voltage-ll", "31"): (48023197,),
    ("voltage-angle", "1"): (-7,),
    ("voltage-angle", "2"): (-1201234567,),
    ("voltage-angle", "3"): (29987,),
    ("frequency", "total"): (5998,),
    ("current", "1"): (621357246813, 99980200),
    ("current", "2"): (6312887755443399, 1200340056007),
    ("current", "3"): (61.753173828125, 0.0),
    ("active-power", "1"): (1337154321, -1337154321),
    ("active-power", "2"): (1337154321098765432, -1298765432109876543),
    ("active-power", "3"): (13.371234567890123, -0.0625),
    ("active-power", "total"): ((4011, 1), (-401, -1)),
    ("reactive-power", "1"): (792345678901234567, -792345678901234567),
    ("reactive-power", "2"): (792345678, -792345678),
    ("reactive-power", "3"): (7923.45654296875, NAN),
    ("reactive-power", "total"): ((23774, -2), (23771, -2)),
    ("apparent-power", "1"): (15543210987654321098, 1234567890123456789),
    ("apparent-power", "2"): (1504321098, 16909060),
    ("apparent-power", "3"): (0x97B5, 0x4A2D),
    ("apparent-power", "total"): (46629876, 10203040),
    ("power-factor", "1"): (861, -861),
    ("power-factor", "2"): (8603, 17),
    ("power-factor", "3"): (0.859375, -0.7230224609375),
    ("power-factor", "total"): (0.86012345678901234, -0.12345678901234567),
    ("current-angle", "1"): (-3079, -32768),
    ("current-angle", "2"): (-150.7330322265625, NAN),
    ("current-angle", "3"): (4294967295, 123456),
    ("energy-import", "total"): (1234567890123, 72623859790382),
    ("energy-export", "total"): (1234567890123456, 98765432),
    ("run-status", "total"): (True, False),
}


def map_text(order, run_function):
    """The committed map with one byte order, and the run status as coil (1) or discrete input (2)."""
    text = MAP_FILE.read_text(encoding="utf-8")
    changed = text.replace("ABCD", order).replace(
        "function = 1                # run status", f"function = {run_function}                # run status"
    )
    return changed


def build(order, run_function):
    """(blocks, expected): blocks by function code {address: word or bit}, expected values in SI units."""
    book = tomllib.loads(map_text(order, run_function))
    forbidden = range(book["limits"]["forbidden"][0][0], book["limits"]["forbidden"][0][1] + 1)
    blocks = {1: {}, 2: {}, 3: {}, 4: {}}
    for code in (3, 4):
        blocks[code] = {address: FILLER for address in range(90, 600) if address not in forbidden}
    for code in (1, 2):
        # The other function's bits are the opposite of the wanted ones.
        blocks[code] = {address: code != run_function for address in range(20, 300)}
    expected, used = [], set()
    for point in book["points"]:
        key = (point["quantity"], str(point.get("channel", "total")))
        for slot, raw in enumerate(RAW[key], start=1):
            used.add((key, slot))
            shift = (slot - 1) * book["slot_stride"]
            value = place(blocks, point, book, raw, shift)
            wide = point["quantity"] in WIDE
            expected.append({"quantity": key[0], "channel": key[1], "slot": None if wide else slot, "value": value})
    assert len(used) == sum(len(raws) for raws in RAW.values()), "a raw value has no point in the map"
    return blocks, expected


def scale_address(point, shift):
    """Address of a point's scale register, which repeats with the slots or is shared by all."""
    return point["scale_register"] + (shift if point["scale_register_repeats"] else 0)


def place(blocks, point, book, raw, shift):
    """Writes one raw value into the blocks and returns what it means, or None when it means "not available"."""
    code, kind = point.get("function", book["function"]), point["type"]
    address = point["address"] + shift
    if kind == "bit":
        blocks[code][address] = raw
        # Neighbours hold the opposite, so that a bit one off is seen.
        blocks[code][address - 1] = blocks[code][address + 1] = not raw
        return 1.0 if raw else 0.0
    order, power = book["byte_order"], 0
    if "scale_register" in point:
        raw, power = raw
        blocks[code][scale_address(point, shift)] = encode("i16", power, order)[0]
    for n, word in enumerate(encode(kind, raw, order)):
        blocks[code][address + n] = word
    # Sentinels are all given as unsigned integers of the width of the type.
    unsigned = raw % (1 << (16 * width(kind))) if isinstance(raw, int) else None
    sentinels = [int(s, 16) if isinstance(s, str) else s for s in point.get("not_available", [])]
    if raw != raw or unsigned in sentinels:
        return None
    if kind == "bits":
        lowest, size = point["bits"]
        raw = (raw >> lowest) & ((1 << size) - 1)
    value = raw * 10.0**power * point.get("scale", 1.0) + point.get("offset", 0.0)
    return value * UNITS[point.get("unit", "1")]
