"""Reads the simulated demo line with pymodbus and compares every signal with what Setward shows.

Usage: pymodbus_reads.py LINE_FOLDER PAGE_URL

The line moves. So Setward is asked before and after: what pymodbus reads must lie between the last value that Setward had
read before and the first that it read afterwards, give or take eight standard deviations of the noise and two counts.
A value that rested all the while must be equal.
"""

import json
import math
import sys
import time
import tomllib
import urllib.request
from datetime import datetime
from pathlib import Path

from pymodbus.client import ModbusTcpClient

import line_folder

TYPES = {
    "u16": "UINT16", "i16": "INT16", "u32": "UINT32", "i32": "INT32", "u64": "UINT64", "i64": "INT64",
    "f32": "FLOAT32", "f64": "FLOAT64",
}
WORDS = {"u32": 2, "i32": 2, "f32": 2, "bcd8": 2, "u64": 4, "i64": 4, "f64": 4}
TABLES = ("holding", "input", "coil", "discrete")
PRINTED = {"0": "coil", "1": "discrete", "3": "input", "4": "holding"}
# The slowest signals are read every ten seconds.
LATEST_S = 15


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
    reply = call(address, count=WORDS.get(kind, 1), device_id=unit)
    assert not reply.isError(), (signal["tag"], reply)
    if kind == "bit":
        return float(reply.registers[0] >> signal["bit"] & 1)
    order = signal.get("order", "ABCD")
    if kind in TYPES and order in ("ABCD", "CDAB"):
        word_order = {"ABCD": "big", "CDAB": "little"}[order]
        raw = client.convert_from_registers(reply.registers, getattr(client.DATATYPE, TYPES[kind]), word_order=word_order)
    else:
        # pymodbus knows no decimal digits and no other order of bytes.
        raw = line_folder.to_value(kind, order, reply.registers)
    return raw * signal.get("scale", 1.0) + signal.get("offset", 0.0)


def noise(signal):
    """Standard deviation of the simulated noise, without its unit."""
    written = signal.get("simulate", {}).get("noise", 0)
    return float(str(written).split()[0])


def shown(url):
    with urllib.request.urlopen(f"{url}/api/v1/signals", timeout=5) as reply:
        return {signal["tag"]: signal for signal in json.load(reply)["items"]}


def shown_after(url, moments):
    """For each tag what Setward shows once it has read it again after its moment."""
    latest, found = time.time() + LATEST_S, {}
    while len(found) < len(moments):
        assert time.time() < latest, f"not read again within {LATEST_S} s: {sorted(set(moments) - set(found))}"
        for tag, signal in shown(url).items():
            later = signal["at"] and datetime.fromisoformat(signal["at"]).timestamp() > moments.get(tag, math.inf)
            if later and tag not in found:
                found[tag] = signal
        time.sleep(0.2)
    return found


def read_all(line, endpoints):
    """By pymodbus: each tag with its value and when it was read."""
    clients, found = {}, {}
    for signal in line["signal"]:
        endpoint = endpoints[signal["controller"]]
        if endpoint["controller"] not in clients:
            host, port = endpoint["address"].rsplit(":", 1)
            client = ModbusTcpClient(host, port=int(port), timeout=3)
            assert client.connect(), endpoint
            clients[endpoint["controller"]] = client
        value = read(clients[endpoint["controller"]], endpoint.get("unit_id", 1), signal)
        found[signal["tag"]] = (value, time.time())
    for client in clients.values():
        client.close()
    return found


def main():
    folder, url = Path(sys.argv[1]), sys.argv[2]
    line = tomllib.loads((folder / "line.toml").read_text())
    site = tomllib.loads((folder / "site.toml").read_text())
    before = shown(url)
    found = read_all(line, {endpoint["controller"]: endpoint for endpoint in site["endpoint"]})
    after = shown_after(url, {tag: moment for tag, (_, moment) in found.items()})
    exact = 0
    for signal in line["signal"]:
        tag, value = signal["tag"], found[signal["tag"]][0]
        ends = [before[tag]["value"], after[tag]["value"]]
        assert None not in ends, f"{tag}: Setward shows {before[tag]}, then {after[tag]}"
        allowed = 8 * noise(signal) * math.sqrt(2) + (2 * signal.get("scale", 1.0) if noise(signal) else 0) + 1e-9
        said = f"{tag}: pymodbus reads {value}, Setward shows {ends[0]} before and {ends[1]} after"
        assert min(ends) - allowed <= value <= max(ends) + allowed, said
        exact += allowed < 1e-8 and ends[0] == ends[1]
    assert len(found) >= 100 and exact >= 40, (len(found), exact)
    print(f"pymodbus and Setward agree on {len(found)} signals, {exact} of them at rest and equal")


main()
