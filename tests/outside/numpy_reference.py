#!/usr/bin/env python3
"""Power quantities from sampled waveforms and from published examples, worked out again with numpy.

    numpy_reference.py published                       check tests/fixtures/published_examples.json
    numpy_reference.py waveforms --simulator BINARY    dump waveforms of the simulator's stations and hold its own
                                                       metered values against them
"""

import argparse
import json
import math
import sys
from pathlib import Path

import numpy as np

EXAMPLES = Path(__file__).resolve().parent.parent / "fixtures" / "published_examples.json"
TURN = np.exp(2j * np.pi / 3)
# Rows: zero, positive, negative sequence of phasors a, b, c.
SEQUENCE = np.array([[1, 1, 1], [1, TURN, TURN**2], [1, TURN**2, TURN]]) / 3


def polar(pair):
    return pair[0] * np.exp(1j * np.radians(pair[1]))


def nema_unbalance_percent(line_volts):
    mean = np.mean(line_volts)
    return 100 * np.max(np.abs(line_volts - mean)) / mean


def negative_sequence_percent(line_volts):
    """From three magnitudes, IEC 61000-4-30 clause 5.7; possible because line voltages sum to zero."""
    beta = np.sum(line_volts**4) / np.sum(line_volts**2) ** 2
    root = np.sqrt(3 - 6 * beta)
    return 100 * np.sqrt((1 - root) / (1 + root))


def triangle_negative_sequence_percent(line_volts):
    """The same by building the triangle of the three magnitudes and taking its sequence components."""
    ab, bc, ca = line_volts
    cosine = (ab**2 + bc**2 - ca**2) / (2 * ab * bc)
    turn = np.pi - np.arccos(cosine)
    v_ab, v_bc = ab + 0j, bc * np.exp(-1j * turn)
    _, positive, negative = SEQUENCE @ np.array([v_ab, v_bc, -v_ab - v_bc])
    return 100 * abs(negative) / abs(positive)


class Comparison:
    """Counts comparisons and keeps those that disagree."""

    def __init__(self):
        self.count, self.wrong = 0, []

    def near(self, what, got, wanted, tolerance):
        self.count += 1
        # `not <=` and not `>`: a NaN must fail.
        if not abs(got - wanted) <= tolerance:
            self.wrong.append(f"{what}: {got} against {wanted} (tolerance {tolerance:g})")

    def finish(self, what):
        for line in self.wrong[:30]:
            print(line, file=sys.stderr)
        if self.wrong or self.count == 0:
            sys.exit(f"{what}: {len(self.wrong)} of {self.count} comparisons disagree")
        print(f"{what}: {self.count} comparisons agree")


def published():
    book = json.loads(EXAMPLES.read_text(encoding="utf-8"))
    seen = Comparison()
    for example in book["sequence_components"]:
        answer = SEQUENCE @ np.array([polar(p) for p in example["phasors"]])
        for value, part in zip(answer, ("zero", "positive", "negative")):
            seen.near(f"{example['name']}: {part}", value, polar(example[part]), example["tolerance"])
    for example in book["two_wattmeter"]:
        high, low = example["high_w"], example["low_w"]
        factor = (high + low) / np.hypot(high + low, np.sqrt(3) * (high - low))
        seen.near(f"{example['source']}: total", high + low, example["total_w"], 0.5)
        seen.near(f"{example['source']}: power factor", factor, example["power_factor"], example["tolerance"])
    for example in book["voltage_unbalance"]:
        volts, allowed = np.array(example["voltage_ll_v"]), example["tolerance"]
        seen.near("NEMA unbalance", nema_unbalance_percent(volts), example["nema_percent"], allowed)
        for u2 in (negative_sequence_percent(volts), triangle_negative_sequence_percent(volts)):
            seen.near("negative-sequence unbalance", u2, example["negative_sequence_percent"], allowed)
    signatures(book["wiring_signatures"], seen)
    effective_power(book["effective_apparent_power"], seen)
    seen.finish("published examples")


def signatures(table, seen):
    turns = dict(zip("ABC", np.array([1, TURN**2, TURN])))
    volts = table["voltage_ln_v"] * np.array(list(turns.values()))
    lag = np.exp(-1j * math.acos(table["power_factor"]))
    for case in table["cases"]:
        conductors = [0 if c == "open" else (-1 if c[0] == "-" else 1) * turns[c[-1]] for c in case["current"]]
        amps = table["current_a"] * lag * np.array(conductors)
        power, allowed = volts * amps.conj(), table["tolerance"]
        for n in range(3):
            seen.near(f"{case['name']}: P{n + 1}", power[n].real, case["active_power_w"][n], allowed)
            seen.near(f"{case['name']}: Q{n + 1}", power[n].imag, case["reactive_power_var"][n], allowed)
        seen.near(f"{case['name']}: P", power.sum().real, case["total_w"], allowed)
        seen.near(f"{case['name']}: Q", power.sum().imag, case["total_var"], allowed)
        seen.near(f"{case['name']}: residual", abs(amps.sum()), case["residual_a"], 0.01)


def effective_power(example, seen):
    amps = np.array(example["current_a"])
    effective_v = example["voltage_ln_v"]  # Balanced: Ve is the voltage to neutral.
    effective_a = np.sqrt((np.sum(amps**2) + example["neutral_a"] ** 2) / 3)
    apparent = 3 * effective_v * effective_a
    power = example["voltage_ln_v"] * amps.sum()
    seen.near("effective apparent power", apparent, example["effective_apparent_va"], example["tolerance"])
    seen.near("active power", power, example["active_power_w"], example["tolerance"])
    seen.near("effective power factor", power / apparent, example["effective_power_factor"], 1e-4)


def main():
    parser = argparse.ArgumentParser(description="Reference values by numpy.")
    modes = parser.add_subparsers(dest="mode", required=True)
    modes.add_parser("published")
    modes.add_parser("waveforms").add_argument("--simulator", required=True)
    arguments = parser.parse_args()
    if arguments.mode == "published":
        published()
    else:
        waveforms(arguments.simulator)


if __name__ == "__main__":
    main()
