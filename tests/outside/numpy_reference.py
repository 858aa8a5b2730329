#!/usr/bin/env python3
"""Power quantities from sampled waveforms and from published examples, worked out again with numpy.

    numpy_reference.py published                       check tests/fixtures/published_examples.json
    numpy_reference.py waveforms --simulator BINARY    let the simulator dump the station of waveforms.toml, meter its
                                                       samples here, and compare with what it metered itself

`BINARY dump --station FILE --monitor NAME --at SECONDS` prints one JSON object with the samples of every channel as wired
(over a whole number of cycles) and what was metered from them. The two monitors named "Right" and "Right too" see every
conductor straight: from their samples the wiring of all others is worked out again.

An angle or power factor that means nothing (no current, no voltage) is null.
"""

import argparse
import json
import math
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
EXAMPLES = HERE.parent / "fixtures" / "published_examples.json"
STATION = HERE / "waveforms.toml"
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


def rms(samples):
    return np.sqrt(np.mean(samples**2, axis=-1))


def fundamental(samples, turns_per_sample):
    """RMS phasor of the fundamental; right when the samples cover whole cycles."""
    n = samples.shape[-1]
    return np.sqrt(2) / n * samples @ np.exp(-2j * np.pi * turns_per_sample * np.arange(n))


def seen_by(channel, own, pumps):
    """Samples a channel sees: "A" "-A" "open" "shorted" "B*0.5" "Pump 2:A" "A+B"."""
    if channel in ("open", "shorted"):
        return np.zeros_like(own[0])
    if ":" in channel:
        pump, channel = channel.split(":")
        own = pumps[pump]
    channel, _, gain = channel.partition("*")
    sign = -1.0 if channel.startswith("-") else 1.0
    total = sum(own["ABC".index(letter)] for letter in channel.lstrip("-").split("+"))
    return sign * float(gain or 1.0) * total


def compare_wiring(dump, seen):
    """Applies the wiring of the station file to the conductors and compares with the dumped channels."""
    plan = {m["name"]: m for m in tomllib.loads(STATION.read_text(encoding="utf-8"))["monitors"]}
    volts = np.array(dump["conductors"]["voltage_v"])
    pumps = {p["name"]: np.array(p["current_a"]) for p in dump["conductors"]["pumps"]}
    for monitor in dump["monitors"]:
        wanted = plan.pop(monitor["name"])
        for k, channel in enumerate(wanted.get("voltage", "ABC")):
            distance = np.max(np.abs(seen_by(channel, volts, {}) - np.array(monitor["voltage_v"][k])))
            seen.near(f"{monitor['name']}: voltage channel {k + 1} on {channel}", distance, 0.0, 1e-6)
        for slot, circuit in enumerate(monitor["circuits"]):
            for k, channel in enumerate(wanted["currents"][slot]):
                own = pumps[wanted["circuits"][slot]]
                distance = np.max(np.abs(seen_by(channel, own, pumps) - np.array(circuit["current_a"][k])))
                seen.near(f"{monitor['name']}: {circuit['name']} CT {k + 1} on {channel}", distance, 0.0, 1e-6)
    if plan:
        seen.wrong.append(f"monitors not in the dump: {sorted(plan)}")


def compare_angle(what, got, phasor, reference, seen):
    if abs(phasor) < 1e-3 or abs(reference) < 1e-3:
        return  # Without either there is no angle to speak of.
    if got is None:
        seen.wrong.append(f"{what}: no angle of a phasor of {abs(phasor):.3f}")
        return
    # The difference of two directions, so that -180 and 180 are one.
    distance = np.degrees(np.angle(np.exp(1j * np.radians(got)) / (phasor / reference)))
    seen.near(what, distance, 0.0, 1e-3)


def compare_voltages(monitor, v, turns, seen):
    name, metered, channels = monitor["name"], monitor["metered"], fundamental(v, turns)
    pairs = rms(v - np.roll(v, -1, axis=0))
    for k in range(3):
        seen.near(f"{name}: V{k + 1}", metered["voltage_ln_v"][k], rms(v)[k], 1e-6 * rms(v)[k] + 1e-6)
        seen.near(f"{name}: V{k + 1} to the next", metered["voltage_ll_v"][k], pairs[k], 1e-6 * pairs[k] + 1e-6)
        compare_angle(f"{name}: angle of V{k + 1}", metered["voltage_angle_deg"][k], channels[k], channels[0], seen)
    # From magnitudes and angles as metered, against the fundamentals themselves. Harmonics are in the metered
    # magnitudes, hence the wide tolerance (0.05 % of the magnitude at 3 % of harmonics).
    shown = [polar(pair) for pair in zip(metered["voltage_ln_v"], metered["voltage_angle_deg"])]
    turned = channels * np.exp(-1j * np.angle(channels[0]))
    for part, ours, theirs in zip(("V0", "V1", "V2"), SEQUENCE @ turned, SEQUENCE @ np.array(shown)):
        seen.near(f"{name}: {part}", theirs, ours, 2e-3 * max(abs(channels)))
    return channels


def compare_circuit(name, circuit, v, reference, turns, seen):
    i, metered = np.array(circuit["current_a"]), circuit["metered"]
    power = np.mean(v * i, axis=-1)
    reactive = (fundamental(v, turns) * fundamental(i, turns).conj()).imag
    apparent = rms(v) * rms(i)
    for k in range(3):
        what, scale = f"{name} {circuit['name']} channel {k + 1}", 1e-6 * apparent[k] + 1e-6
        seen.near(f"{what}: I", metered["current_a"][k], rms(i)[k], 1e-6 * rms(i)[k] + 1e-6)
        seen.near(f"{what}: P", metered["active_power_w"][k], power[k], scale)
        # The simulator may shift by a quarter period between samples, hence 0.1 %.
        seen.near(f"{what}: Q", metered["reactive_power_var"][k], reactive[k], 1e-3 * apparent[k] + 1e-6)
        seen.near(f"{what}: S", metered["apparent_power_va"][k], apparent[k], scale)
        if apparent[k] > 1.0:
            seen.near(f"{what}: PF", metered["power_factor"][k], power[k] / apparent[k], 1e-6)
        compare_angle(f"{what}: angle", metered["current_angle_deg"][k], fundamental(i, turns)[k], reference, seen)
    total = apparent.sum()
    seen.near(f"{name} {circuit['name']}: P", metered["total_active_power_w"], power.sum(), 1e-6 * total)
    seen.near(f"{name} {circuit['name']}: Q", metered["total_reactive_power_var"], reactive.sum(), 1e-3 * total)


def take(binary, monitor, at_s):
    """One monitor's samples and metered values."""
    command = [binary, "dump", "--station", str(STATION), "--monitor", monitor["name"], "--at", at_s]
    dump = json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout)
    samples = {c["name"]: c["samples"] for c in dump["channels"]}
    circuits = [
        {
            "name": name,
            "current_a": [samples[f"slot {slot + 1} i{k + 1}"] for k in range(3)],
            "metered": dump["metered"]["circuits"][slot],
        }
        for slot, name in enumerate(monitor["circuits"])
    ]
    return dump, {
        "name": monitor["name"],
        "voltage_v": [samples[f"v{k + 1}"] for k in range(3)],
        "metered": dump["metered"],
        "circuits": circuits,
    }


def waveforms(binary):
    seen = Comparison()
    plan = tomllib.loads(STATION.read_text(encoding="utf-8"))["monitors"]
    for at_s in ("3.0", "7.25"):
        taken = [take(binary, monitor, at_s) for monitor in plan]
        monitors = [monitor for _, monitor in taken]
        straight = [monitor for monitor in monitors if monitor["name"] in ("Right", "Right too")]
        pumps = [{"name": c["name"], "current_a": c["current_a"]} for monitor in straight for c in monitor["circuits"]]
        conductors = {"voltage_v": straight[0]["voltage_v"], "pumps": pumps}
        turns = 1.0 / taken[0][0]["samples_per_cycle"]
        cycles = len(conductors["voltage_v"][0]) * turns
        seen.near("whole cycles", cycles, max(round(cycles), 1), 1e-9)
        compare_wiring({"conductors": conductors, "monitors": monitors}, seen)
        for monitor in monitors:
            v = np.array(monitor["voltage_v"])
            reference = compare_voltages(monitor, v, turns, seen)[0]
            for circuit in monitor["circuits"]:
                compare_circuit(monitor["name"], circuit, v, reference, turns, seen)
    seen.finish("waveforms")


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
