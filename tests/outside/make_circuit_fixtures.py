#!/usr/bin/env python3
"""Stations solved by the DSS circuit engine, metered through right and wrong wiring with numpy.

This is an independent oracle: the engine knows induction machines under unbalanced supply, and nothing here is
shared with the auditor or with the simulator. The engine gives the phasors of each conductor; the wiring of the
monitor is applied to them afterwards.

    make_circuit_fixtures.py            write tests/fixtures/circuit/*.json
    make_circuit_fixtures.py --check    compute again and compare with the committed files (what CI runs)

Each file: { "schema": 1, "engine": "...", "fixtures": [ FIXTURE, ... ] }

FIXTURE
  name        unique over all files
  truth       voltage:    per voltage channel the phase it is on: "A" "B" "C"
              current:    per current channel the conductor it sees: "A", "-A" (reversed) or "open"
              sound:      true when power is registered right: every current channel sees, unreversed, the conductor
                          its own voltage channel is on (channel labels may still differ from the phases)
              lost_phase: phase of the supply conductor to the load that is open, or null
  nameplate   load (LoadKind key), rated_power_w, rated_voltage_v, full_load_current_a, full_load_power_factor,
              ct_primary_a, nominal_voltage_v (between phases), service
  windows     one per steady load level:
              load: fraction of 47 kW drawn (null for a fixed slip); supply: source magnitude per phase, per unit
              voltage_ln_v[3], voltage_ll_v[3] (channels 1-2, 2-3, 3-1), voltage_angle_deg[3] (against channel 1)
              current_a[3], current_angle_deg[3] (against voltage channel 1, lag negative; null when no current)
              active_power_w[3], reactive_power_var[3], apparent_power_va[3], power_factor[3] (null when no current)
              total_active_power_w, total_reactive_power_var, total_apparent_power_va (sqrt(P^2+Q^2) of the totals),
              total_power_factor (null when total apparent power is 0), frequency_hz
              true_active_power_w[3], true_reactive_power_var[3] (by phase A B C of the load, at the metering point),
              true_total_active_power_w, true_total_reactive_power_var

Load convention: P > 0 is import, Q > 0 inductive, PF carries the sign of P.
"""

import argparse
import itertools
import json
import math
import sys
from pathlib import Path

import numpy as np
import opendssdirect as engine

FOLDER = Path(__file__).resolve().parent.parent / "fixtures" / "circuit"
PHASES = "ABC"
FREQUENCY_HZ = 60.0
RATED_INPUT_KW = 47.0  # 44.742 kW (60 hp) at the shaft, about 95 % efficient.
NOTHING_A = 1e-3  # Below this a channel carries no current; the rest is the solver's round-off.

# 60 hp motor on a 52 kVA, 480 V base. Leakage of 0.145 pu gives the 430 A of locked-rotor current of the code table.
MACHINE_KV, MACHINE_KVA = 0.48, 52.0
RS, XS, RR, XR, XM = 0.03, 0.07, 0.02, 0.075, 2.3

NAMEPLATE = {
    "rated_power_w": 44742.0,
    "rated_voltage_v": 460.0,
    "full_load_current_a": 77.0,
    "full_load_power_factor": 0.86,
    "ct_primary_a": 200.0,
    "nominal_voltage_v": 480.0,
    "service": "wye-4-wire",
}


def command(text):
    engine.Text.Command(text)


def machine_impedance_ohm(slip):
    """Impedance per phase of the equivalent circuit at a slip; the negative sequence sees 2 - slip."""
    rotor = RR / slip + 1j * XR
    per_unit = RS + 1j * XS + 1j * XM * rotor / (1j * XM + rotor)
    return per_unit * MACHINE_KV**2 * 1000.0 / MACHINE_KVA


def motor(load):
    return (
        f"new indmach012.motor bus1=terminals kv={MACHINE_KV} kw={load * RATED_INPUT_KW} conn=delta kva={MACHINE_KVA} "
        f"purs={RS} puxs={XS} purr={RR} puxr={XR} puxm={XM} slip=0.01 slipoption=variableslip maxslip=0.2"
    )


def motor_at_slip(slip):
    """The same machine at a held slip: a linear element with unequal sequence impedances and no neutral.

    The engine's machine model does not converge with a supply conductor open; this one does, and
    `check_two_machine_models` proves that both are the same machine.
    """
    z1, z2 = machine_impedance_ohm(slip), machine_impedance_ohm(2.0 - slip)
    return (
        f"new reactor.motor bus1=terminals phases=3 z1=({z1.real}, {z1.imag}) z2=({z2.real}, {z2.imag}) z0=(1e7, 0)"
    )


def constant_power(load, power_factor):
    return (
        f"new load.load bus1=terminals phases=3 conn=delta kv=0.48 kw={load * RATED_INPUT_KW} pf={power_factor} "
        "model=1 vminpu=0.7 vmaxpu=1.3"
    )


def solve(load_element, supply=(1.0, 1.0, 1.0), lost_phase=None):
    """Phasors of the three conductors at the monitor: volts to neutral and amps towards the load."""
    command("clear")
    command(f"set defaultbasefrequency={FREQUENCY_HZ}")
    base_kv = 0.48 / math.sqrt(3.0)
    # About 10 MVA of fault level, one source per phase so that each magnitude can be set.
    source = f"phases=1 basekv={base_kv} r1=0.0025 x1=0.0230 r0=0.0025 x0=0.0230"
    command("new circuit.station bus1=board.1 phases=1")
    command(f"edit vsource.source bus1=board.1 {source} pu={supply[0]} angle=0")
    command(f"new vsource.b bus1=board.2 {source} pu={supply[1]} angle=-120")
    command(f"new vsource.c bus1=board.3 {source} pu={supply[2]} angle=120")
    command(
        "new line.cable bus1=board bus2=terminals phases=3 length=60 units=m "
        "rmatrix=(0.00025|0 0.00025|0 0 0.00025) xmatrix=(0.0001|0 0.0001|0 0 0.0001) cmatrix=(0|0 0|0 0 0)"
    )
    command(load_element)
    command("set voltagebases=[0.48]")
    command("calcvoltagebases")
    command("set tolerance=1e-9 maxiterations=200 maxcontroliter=200")
    if lost_phase is not None:
        # At the load's end, so that the monitor on the board still sees all three voltages.
        command(f"open line.cable term=2 phase={PHASES.index(lost_phase) + 1}")
    command("solve")
    if not engine.Solution.Converged():
        raise RuntimeError(f"no convergence: {load_element} {supply} {lost_phase}")
    engine.Circuit.SetActiveElement("line.cable")
    to_complex = lambda values: np.array(values[:6]).reshape(3, 2) @ np.array([1.0, 1j])
    volts, amps = to_complex(engine.CktElement.Voltages()), to_complex(engine.CktElement.Currents())
    if not (np.isfinite(volts).all() and np.isfinite(amps).all()):
        raise RuntimeError(f"no finite solution: {load_element} {supply} {lost_phase}")
    amps[abs(amps) < NOTHING_A] = 0.0
    return volts, amps


def check_two_machine_models():
    """Holds the linear machine against the engine's own, at the slip the engine found, on an unbalanced supply."""
    supply = (1.0, 0.97, 1.0)
    volts, amps = solve(motor(0.75), supply)
    low, high = 1e-4, 0.05
    for _ in range(60):
        slip = math.sqrt(low * high)
        v, i = solve(motor_at_slip(slip), supply)
        if (v @ i.conj()).real < (volts @ amps.conj()).real:
            low = slip
        else:
            high = slip
    worst = max(abs(i - amps)) / max(abs(amps))
    if worst > 2e-3:
        raise RuntimeError(f"the two machine models differ by {100 * worst:.2f} % of the current")


def see(conductors, channel):
    """Phasor a channel sees: "A", "-A" or "open"."""
    if channel == "open":
        return 0j
    phasor = conductors[PHASES.index(channel[-1])]
    return -phasor if channel.startswith("-") else phasor


def rounded(values, digits):
    return [None if value is None else round(float(value), digits) + 0.0 for value in values]


def angle_deg(phasor, reference):
    """-180 < angle <= 180; `+ 0.0` above turns a negative zero into zero."""
    degrees = round(math.degrees(np.angle(phasor / reference)), 4)
    return 180.0 if degrees == -180.0 else degrees


def window(load, supply, solution, voltage, current):
    """What the monitor reports for one solved state through the given wiring."""
    true_v, true_i = solution
    v = np.array([see(true_v, channel) for channel in voltage])
    i = np.array([see(true_i, channel) for channel in current])
    s, true_s = v * i.conj(), true_v * true_i.conj()
    total, apparent = s.sum(), abs(s)
    return {
        "load": load,
        "supply": list(supply),
        "voltage_ln_v": rounded(abs(v), 4),
        "voltage_ll_v": rounded(abs(v - np.roll(v, -1)), 4),
        "voltage_angle_deg": rounded([angle_deg(x, v[0]) for x in v], 4),
        "current_a": rounded(abs(i), 4),
        "current_angle_deg": rounded([angle_deg(x, v[0]) if x != 0 else None for x in i], 4),
        "active_power_w": rounded(s.real, 2),
        "reactive_power_var": rounded(s.imag, 2),
        "apparent_power_va": rounded(apparent, 2),
        "power_factor": rounded([p / a if a > 0 else None for p, a in zip(s.real, apparent)], 5),
        "total_active_power_w": rounded([total.real], 2)[0],
        "total_reactive_power_var": rounded([total.imag], 2)[0],
        "total_apparent_power_va": rounded([abs(total)], 2)[0],
        # Below 1 VA the ratio of two round-offs would be left.
        "total_power_factor": rounded([total.real / abs(total)], 5)[0] if abs(total) > 1.0 else None,
        "frequency_hz": FREQUENCY_HZ,
        "true_active_power_w": rounded(true_s.real, 2),
        "true_reactive_power_var": rounded(true_s.imag, 2),
        "true_total_active_power_w": rounded([true_s.sum().real], 2)[0],
        "true_total_reactive_power_var": rounded([true_s.sum().imag], 2)[0],
    }


def fixture(name, kind, states, voltage=PHASES, current=PHASES, lost_phase=None):
    """`states` is a list of (load, supply, solution)."""
    voltage, current = list(voltage), list(current)
    return {
        "name": name,
        "truth": {"voltage": voltage, "current": current, "sound": voltage == current, "lost_phase": lost_phase},
        "nameplate": {"load": kind, **NAMEPLATE},
        "windows": [window(*state, voltage, current) for state in states],
    }


def motor_states(loads, supply=(1.0, 1.0, 1.0)):
    return [(load, supply, solve(motor(load), supply)) for load in loads]


def power_states(loads, power_factor, supply=(1.0, 1.0, 1.0)):
    return [(load, supply, solve(constant_power(load, power_factor), supply)) for load in loads]


def sound():
    low = lambda phase, percent: tuple(1.0 - percent / 100.0 if p == phase else 1.0 for p in PHASES)
    yield fixture("sound-motor-balanced", "induction-motor", motor_states([1.0, 0.75, 0.5, 0.25]))
    for phase, percent in itertools.product(PHASES, (1, 2, 3)):
        # 3 % on one phase makes 6-10 % current unbalance at full load; it must never be called miswired.
        name = f"sound-motor-{phase}-{percent}-percent-low"
        yield fixture(name, "induction-motor", motor_states([1.0, 0.75, 0.5, 0.25], low(phase, percent)))
    for supply in ((1.01, 1.0, 0.99), (1.0, 0.98, 1.01), (0.985, 1.015, 1.0)):
        name = "sound-motor-supply-" + "-".join(f"{x:g}" for x in supply)
        yield fixture(name, "induction-motor", motor_states([1.0, 0.6, 0.3], supply))
    yield fixture("sound-motor-light", "induction-motor", motor_states([0.12, 0.06]))
    yield fixture("sound-motor-light-B-1-percent-low", "induction-motor", motor_states([0.12, 0.06], low("B", 1)))
    yield fixture("sound-constant-power-factor-0.86", "unknown", power_states([1.0, 0.75, 0.5, 0.25], 0.86))
    yield fixture("sound-drive-0.97", "drive", power_states([1.0, 0.75, 0.5, 0.25], 0.97))
    yield fixture("sound-drive-0.97-C-2-percent-low", "drive", power_states([1.0, 0.5], 0.97, low("C", 2)))
    yield fixture("sound-resistive", "resistive", power_states([1.0, 0.4], 1.0))


def lost_phase():
    balanced = (1.0, 1.0, 1.0)
    for phase in PHASES:
        states = [(None, balanced, solve(motor_at_slip(slip), balanced, phase)) for slip in (0.008, 0.016, 0.03)]
        yield fixture(f"lost-phase-{phase}-motor", "induction-motor", states, lost_phase=phase)


def relative_wirings():
    """All 6 permutations x 8 polarities of three CT pairs against right voltages; the first is the right one."""
    for order, signs in itertools.product(itertools.permutations(PHASES), itertools.product(("", "-"), repeat=3)):
        yield [sign + phase for sign, phase in zip(signs, order)]


def relative(prefix, kind, states):
    for current in relative_wirings():
        yield fixture(f"{prefix}-ct-{','.join(current)}", kind, states, current=current)


def other_wirings():
    states = motor_states([1.0, 0.5])
    for voltage in list(itertools.permutations(PHASES))[1:]:
        text = "".join(voltage)
        yield fixture(f"voltage-{text}", "induction-motor", states, voltage=voltage)
        yield fixture(f"voltage-{text}-ct-moved-along", "induction-motor", states, voltage=voltage, current=voltage)
        for channel in range(3):
            current = ["-" + p if k == channel else p for k, p in enumerate(PHASES)]
            yield fixture(
                f"voltage-{text}-ct-{channel + 1}-reversed", "induction-motor", states, voltage=voltage, current=current
            )
    for channel in range(3):
        current = ["open" if k == channel else p for k, p in enumerate(PHASES)]
        yield fixture(f"ct-{channel + 1}-open", "induction-motor", states, current=current)
        for other in range(3):
            if other != channel:
                both = ["-" + p if k == other else p for k, p in enumerate(current)]
                name = f"ct-{channel + 1}-open-ct-{other + 1}-reversed"
                yield fixture(name, "induction-motor", states, current=both)


def all_files():
    unbalanced = (1.0, 0.985, 1.0)
    return {
        "sound.json": list(sound()),
        "lost_phase.json": list(lost_phase()),
        "miswired_motor.json": list(relative("motor", "induction-motor", motor_states([1.0, 0.5]))),
        "miswired_motor_unbalanced.json": list(
            relative("motor-B-1.5-percent-low", "induction-motor", motor_states([0.9, 0.45], unbalanced))
        ),
        "miswired_drive.json": list(relative("drive", "drive", power_states([0.9, 0.45], 0.97))),
        "miswired_other.json": list(other_wirings()),
    }


def check_physics(files):
    """Facts that hold whatever the engine says; a fixture that breaks one must not be committed."""
    names = [f["name"] for fixtures in files.values() for f in fixtures]
    assert len(names) == len(set(names)), "names are not unique"
    for f in itertools.chain.from_iterable(files.values()):
        for w in f["windows"]:
            total, true = w["total_active_power_w"], w["true_total_active_power_w"]
            assert true > 0.0, f["name"]
            if f["truth"]["sound"]:
                assert abs(total - true) < 0.05, f"{f['name']}: sound wiring registers {total} of {true} W"
    by_name = {f["name"]: f for f in itertools.chain.from_iterable(files.values())}
    share = lambda name: [w["total_active_power_w"] / w["true_total_active_power_w"] for w in by_name[name]["windows"]]
    # Closed forms for a balanced three-wire load: one reversed registers 1/3, two -1/3, three -1, exchanged 0.
    for name, expected in (("motor-ct--A,B,C", 1 / 3), ("motor-ct--A,-B,C", -1 / 3), ("motor-ct--A,-B,-C", -1.0),
                           ("motor-ct-A,C,B", 0.0), ("voltage-BAC", 0.0), ("ct-2-open", 2 / 3)):  # fmt: skip
        assert np.allclose(share(name), expected, atol=1e-4), f"{name}: {share(name)}"
    for phase in PHASES:
        amps = np.array(by_name[f"sound-motor-{phase}-3-percent-low"]["windows"][0]["current_a"])
        unbalance = max(abs(amps - amps.mean())) / amps.mean()
        assert 0.05 < unbalance < 0.10, f"3 % low on {phase}: current unbalance {unbalance:.3f}"


def text_of(fixtures):
    """JSON with one line per window, so that a change reads well in a diff."""
    lines = ["{", '"schema": 1,', f'"engine": {json.dumps("OpenDSSDirect.py " + engine.__version__)},', '"fixtures": [']
    for n, f in enumerate(fixtures):
        head = {key: f[key] for key in ("name", "truth", "nameplate")}
        lines.append(json.dumps(head, separators=(",", ":"))[:-1] + ',"windows":[')
        lines.append(",\n".join(json.dumps(w, separators=(",", ":")) for w in f["windows"]))
        lines.append("]}" + ("," if n + 1 < len(fixtures) else ""))
    return "\n".join([*lines, "]", "}", ""])


# Absolute tolerance by the ending of a key, besides 1e-5 of the value.
TOLERANCE = {"_deg": 0.02, "_v": 0.01, "_a": 0.01, "_w": 2.0, "_var": 2.0, "_va": 2.0, "factor": 1e-4}


def differences(path, old, new, key=""):
    """Where two JSON values differ by more than the tolerance of their key."""
    if isinstance(old, dict) and isinstance(new, dict) and old.keys() == new.keys():
        for k in old:
            yield from differences(f"{path}.{k}", old[k], new[k], k)
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for n, (a, b) in enumerate(zip(old, new)):
            yield from differences(f"{path}[{n}]", a, b, key)
    elif isinstance(old, float) and isinstance(new, float):
        distance = abs(old - new)
        if key.endswith("_deg"):
            distance = min(distance, 360.0 - distance)  # -180 and 180 are one direction.
        allowed = next((t for ending, t in TOLERANCE.items() if key.endswith(ending)), 1e-9) + 1e-5 * abs(old)
        if distance > allowed:
            yield f"{path}: committed {old}, now {new}"
    elif old != new:
        yield f"{path}: committed {old!r:.80}, now {new!r:.80}"


def check(files):
    wrong = []
    committed_names = {p.name for p in FOLDER.glob("*.json")}
    if committed_names != set(files):
        wrong.append(f"committed files {sorted(committed_names)}, expected {sorted(files)}")
    for name in sorted(committed_names & set(files)):
        committed = json.loads((FOLDER / name).read_text(encoding="utf-8"))["fixtures"]
        wrong += differences(name, committed, json.loads(json.dumps(files[name])))
    for line in wrong[:20]:
        print(line, file=sys.stderr)
    if wrong:
        sys.exit(f"{len(wrong)} differences between the committed circuit fixtures and the engine")
    windows = sum(len(f["windows"]) for fixtures in files.values() for f in fixtures)
    print(f"circuit fixtures: {sum(map(len, files.values()))} fixtures, {windows} windows agree with the engine")


def main():
    parser = argparse.ArgumentParser(description="Generate or check the circuit fixtures.")
    parser.add_argument("--check", action="store_true", help="compare with the committed files instead of writing")
    arguments = parser.parse_args()
    check_two_machine_models()
    files = all_files()
    check_physics(files)
    if arguments.check:
        check(files)
        return
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, fixtures in files.items():
        (FOLDER / name).write_text(text_of(fixtures), encoding="utf-8")
        print(f"{name}: {len(fixtures)} fixtures")


if __name__ == "__main__":
    main()
