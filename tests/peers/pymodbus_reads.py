"""Reads the simulator with pymodbus, decodes by pymodbus' own conversions, and compares with what Setward shows.

Usage: pymodbus_reads.py LINE_FOLDER PAGE_URL

Signals without noise must be equal; noisy ones must lie within eight standard deviations and two counts.
"""

import json
import math
import sys
import time
import tomllib
import urllib.request
from pathlib import Path

from pymodbus.client import ModbusTcpClient

TYPES = {
    "u16": "UINT16", "i16": "INT16", "u32": "UINT32", "i32": "INT32", "u64": "UINT64", "i64": "INT64",
    "f32": "FLOAT32", "f64": "FLOAT64",
}
TABLES = ("holding", "input", "coil", "discrete")


PRINTED = {"0": "coil", "1": "discrete", "3": "input", "4": "holding"}


def place(signal):
    """Table and 0-based address, from either notation of the line file."""
    for table in TABLES:
        if table in signal:
            return table, signal[table]
    printed = f"{signal['number']:05}"
    return PRINTED[printed[0]], int(printed[1:]) - 1


def read(client, unit, signal):
    """The value of one signal by a single read of its own registers."""
    table, address = place(signal)
    if table in ("coil", "discrete"):
        call = client.read_coils if table == "coil" else client.read_discrete_inputs
        reply = call(address, count=1, device_id=unit)
        assert not reply.isError(), (signal["tag"], reply)
        return float(reply.bits[0])
    kind = signal["encoding"]
    call = client.read_holding_registers if table == "holding" else client.read_input_registers
    count = 2 if kind == "bcd8" else {"32": 2, "64": 4}.get(kind[1:], 1)
    reply = call(address, count=count, device_id=unit)
    assert not reply.isError(), (signal["tag"], reply)
    if kind == "bit":
        return float(reply.registers[0] >> signal["bit"] & 1)
    if kind.startswith("bcd"):
        words = reply.registers if signal.get("order", "ABCD") == "ABCD" else reversed(reply.registers)
        return float("".join(f"{word:04x}" for word in words))
    order = {"ABCD": "big", "CDAB": "little"}[signal.get("order", "ABCD")]
    raw = client.convert_from_registers(reply.registers, getattr(client.DATATYPE, TYPES[kind]), word_order=order)
    return raw * signal.get("scale", 1.0) + signal.get("offset", 0.0)


def noise(signal):
    """Standard deviation of the simulated noise, without its unit."""
    written = signal.get("simulate", {}).get("noise", 0)
    return float(str(written).split()[0])


def shown_by(url):
    """What Setward shows, by tag."""
    with urllib.request.urlopen(f"{url}/api/v1/signals", timeout=5) as reply:
        return {signal["tag"]: signal for signal in json.load(reply)["items"]}


def main():
    folder, url = Path(sys.argv[1]), sys.argv[2]
    line = tomllib.loads((folder / "line.toml").read_text())
    site = tomllib.loads((folder / "site.toml").read_text())
    endpoints = {endpoint["controller"]: endpoint for endpoint in site["endpoint"]}
    shown = shown_by(url)
    clients, compared, exact = {}, 0, 0
    for signal in line["signal"]:
        endpoint = endpoints[signal["controller"]]
        if endpoint["controller"] not in clients:
            host, port = endpoint["address"].rsplit(":", 1)
            client = ModbusTcpClient(host, port=int(port), timeout=3)
            assert client.connect(), endpoint
            clients[endpoint["controller"]] = client
        value = read(clients[endpoint["controller"]], endpoint.get("unit_id", 1), signal)
        found = shown[signal["tag"]]["value"]
        assert found is not None, f"{signal['tag']}: Setward shows {shown[signal['tag']]}"
        if signal.get("means") == "heartbeat":
            assert 0 <= value - found <= 20, (signal["tag"], value, found)
            continue
        allowed = 8 * noise(signal) * math.sqrt(2) + (2 * signal.get("scale", 1.0) if noise(signal) else 0)
        # What moves by itself (a counter, a step, a valve) may have moved between the two reads: then both are read again.
        for _ in range(60):
            if abs(value - found) <= allowed + 1e-9:
                break
            time.sleep(0.25)
            found = shown_by(url)[signal["tag"]]["value"]
            value = read(clients[endpoint["controller"]], endpoint.get("unit_id", 1), signal)
        assert abs(value - found) <= allowed + 1e-9, f"{signal['tag']}: pymodbus reads {value}, Setward shows {found}"
        compared += 1
        exact += allowed == 0
    for client in clients.values():
        client.close()
    assert compared >= 110 and exact >= 30, (compared, exact)
    print(f"pymodbus and Setward agree on {compared} signals, {exact} of them without noise and equal")


main()
