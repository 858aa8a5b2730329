"""One simulated station and how the daemon is told of it, for the checks that need a live one."""

import socket

STATION = """
name = "{name}"
seed = 5
[source]
line_voltage_v = 480.0
noise = 0.0005
[[pumps]]
name = "Pump 1"
load = "induction-motor"
rated_power_w = 44742.0
rated_voltage_v = 460.0
full_load_current_a = 77.0
full_load_power_factor = 0.86
schedule = [{{ at_s = 0.0, load = 0.8 }}]
repeat_s = 1000.0
[[monitors]]
name = "PM-1"
listen = "127.0.0.1:{port}"
unit = {unit}
map = "{map}"
circuits = ["Pump 1"]
currents = [[{currents}]]
energy_start_wh = 7310000.0
"""
CONFIG_STATION = """
[[stations]]
name = "{name}"
service = "wye-4-wire"
nominal_voltage = "480 V"
[[stations.monitors]]
name = "PM-1"
address = "127.0.0.1:{port}"
unit = {unit}
map = "{map}"
poll_period = "200 ms"
timeout = "100 ms"
[[stations.circuits]]
name = "Pump 1"
monitor = "PM-1"
load = "induction-motor"
rated_power = "60 hp"
rated_voltage = "460 V"
full_load_current = "77 A"
full_load_power_factor = 0.86
ct_ratio = "200:5"
"""


def station_file(name, port, unit=1, currents='"A", "B", "C"', map="generic-full"):
    """The simulator's file of the station."""
    return STATION.format(name=name, port=port, unit=unit, currents=currents, map=map)


def station_config(name, port, unit=1, map="generic-full"):
    """The station in the daemon's configuration."""
    return CONFIG_STATION.format(name=name, port=port, unit=unit, map=map)


def free_port():
    """A port that was free a moment ago."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return taken.getsockname()[1]
