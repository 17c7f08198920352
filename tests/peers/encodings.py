"""Every encoding in every order and table: the simulator serves it, two clients of other makes read the raw words, and
Setward shows the same values.

Usage: encodings.py write FOLDER PORT              a line folder whose simulator rests at known values
       encodings.py compare PORT PAGE_URL PROGRAM  PROGRAM is libmodbus_words, compiled

The words are compared bit for bit with what Python's `struct` makes of the values. Setward computes in 64-bit floats:
the 64-bit whole numbers here are such that a float holds exactly (up to 53 significant bits). The interface rounds to nine
decimal places, so its values are compared to within that, and its raw words bit for bit.
"""

import json
import math
import struct
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

from pymodbus.client import ModbusTcpClient

import line_folder
from line_folder import BIT_TABLES, ORDERS, REGISTER_TABLES, to_value, to_words


def f32(bits):
    return struct.unpack(">f", struct.pack(">I", bits))[0]


# Values that tell every byte from every other, of both signs, and the ends of each encoding.
VALUES = {
    "u16": (0, 0x1234, 0xFEDC, 0xFFFF),
    "i16": (0x1234, -0x1234, -0x8000, 0x7FFF),
    "u32": (0x12345678, 0xFEDCBA98, 0xFFFFFFFF),
    "i32": (0x12345678, -0x12345678, -0x80000000, 0x7FFFFFFF),
    "u64": (0x0102030405060710, 0xFEDCBA9876543000, 0xFFFFFFFFFFFFF800),
    "i64": (0x0102030405060710, -0x0102030405060710, -0x8000000000000000, 0x7FFFFFFFFFFFFC00),
    # 123.45, its negative, the largest and the smallest.
    "f32": (f32(0x42F6E666), f32(0xC2F6E666), f32(0x7F7FFFFF), f32(0x00000001)),
    "f64": (math.pi, -math.e, sys.float_info.max, 5e-324),
    "bcd4": (1234, 9876, 9999),
    "bcd8": (12345678, 98765432, 99999999),
}
BITS = 0b1010_0110_0101_1100
BIT_WORD = 3000


def cases():
    """(signal, words, value) of everything, in the order of the line file."""
    found = []
    for table in REGISTER_TABLES:
        address = 0
        for encoding, values in VALUES.items():
            lowest, highest = min(values), max(values)
            for order in ORDERS:
                for value in values:
                    assert value == int(float(value)) if isinstance(value, int) else True, f"{value} is no float"
                    tag = f"{table}-{address}-{encoding}-{order}"
                    signal = line_folder.signal(
                        tag, table, address, encoding,
                        order=order, range=[lowest, highest], simulate={"typical": value},
                    )
                    words = to_words(encoding, order, value)
                    found.append((signal, words, value))
                    address += len(words)
        for bit in range(16):
            signal = line_folder.signal(
                f"{table}-bit-{bit}", table, BIT_WORD, "bit", bit=bit, simulate={"typical": BITS >> bit & 1}
            )
            found.append((signal, [BITS], BITS >> bit & 1))
    for table in BIT_TABLES:
        for place in range(16):
            state = BITS >> place & 1
            signal = line_folder.signal(f"{table}-{place}", table, place, simulate={"typical": state})
            found.append((signal, [state], state))
    return found


def place(signal):
    """Table and address."""
    table = next(table for table in REGISTER_TABLES + BIT_TABLES if table in signal)
    return table, signal[table]


def by_pymodbus(port, reads):
    """The words of each (table, address, count), one request each."""
    client = ModbusTcpClient("127.0.0.1", port=port, timeout=3)
    assert client.connect(), port
    calls = {
        "holding": client.read_holding_registers, "input": client.read_input_registers,
        "coil": client.read_coils, "discrete": client.read_discrete_inputs,
    }
    found = []
    for table, address, count in reads:
        reply = calls[table](address, count=count, device_id=1)
        assert not reply.isError(), (table, address, reply)
        found.append([int(bit) for bit in reply.bits[:count]] if table in BIT_TABLES else reply.registers)
    client.close()
    return found


def by_libmodbus(program, port, reads):
    """The same by the compiled program."""
    asked = "".join(f"{table} {address} {count}\n" for table, address, count in reads)
    done = subprocess.run([program, "127.0.0.1", str(port)], input=asked, text=True, capture_output=True, timeout=30)
    assert done.returncode == 0, done.stderr
    return [[int(word, 16) for word in line.split()] for line in done.stdout.splitlines()]


def shown_at(url):
    with urllib.request.urlopen(f"{url}/api/v1/signals", timeout=5) as reply:
        return {signal["tag"]: signal for signal in json.load(reply)["items"]}


def same_bits(found, value):
    """Equal as floats to the last bit."""
    return struct.pack(">d", found) == struct.pack(">d", value)


def compare_words(make, found, everything):
    """Words bit for bit, and the number they make."""
    assert len(found) == len(everything), (make, len(found))
    for words, (signal, expected, value) in zip(found, everything):
        assert words == expected, f"{make}: {signal['tag']}: {words} instead of {expected}"
        if signal["encoding"] in VALUES:
            number = to_value(signal["encoding"], signal["order"], words)
            assert same_bits(number, value), f"{make}: {signal['tag']}: {number} instead of {value}"


def compare_shown(url, everything):
    latest = time.monotonic() + 10
    shown = shown_at(url)
    # The first scan may not have ended yet.
    while any(signal["reason"] == "not_polled" for signal in shown.values()) and time.monotonic() < latest:
        time.sleep(0.2)
        shown = shown_at(url)
    assert len(shown) == len(everything), len(shown)
    for signal, words, value in everything:
        found = shown[signal["tag"]]
        assert found["quality"] == "good", found
        assert found["registers"]["words"] == words, (signal["tag"], found["registers"]["words"], words)
        assert abs(found["value"] - value) <= 1e-9, f"Setward: {signal['tag']}: {found['value']!r} instead of {value!r}"


def main():
    everything = cases()
    if sys.argv[1] == "write":
        line_folder.write(Path(sys.argv[2]), int(sys.argv[3]), [signal for signal, _, _ in everything])
        return
    port, url, program = int(sys.argv[2]), sys.argv[3], sys.argv[4]
    reads = [(*place(signal), len(words)) for signal, words, _ in everything]
    compare_words("pymodbus", by_pymodbus(port, reads), everything)
    compare_words("libmodbus", by_libmodbus(program, port, reads), everything)
    compare_shown(url, everything)
    print(f"pymodbus, libmodbus and Setward agree on {len(everything)} values: {len(VALUES)} encodings in 4 orders, and bits")


main()
