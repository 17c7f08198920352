"""Reads a history file with Python's own sqlite3 and the pcodec package, and nothing of Setward.

    history_reads.py FILE EXPECTED.csv

FILE is a history with closed chunks, EXPECTED.csv the same readings as `write_history_for_peers` wrote them
(tag, utc ms, value or nothing, quality code). Every block is taken apart by the description in
supervisor/src/history/README.md alone; every reading must be there once, equal to the bit.
"""

import csv
import sqlite3
import struct
import sys
import zlib

import numpy
from pcodec import standalone

SIGNAL_BITS = 16
ABSENT, NO_VALUE = 0xFFFF, 0x1000


class Block:
    """Bytes behind a kind and before a checksum."""

    def __init__(self, kind, sealed):
        assert zlib.crc32(sealed[:-4]) == struct.unpack("<I", sealed[-4:])[0], "checksum"
        assert sealed[0] == kind, "kind"
        self.bytes, self.at = sealed[1:-4], 0

    def take(self, count):
        taken = self.bytes[self.at : self.at + count]
        assert len(taken) == count, "short"
        self.at += count
        return taken

    def whole(self):
        value = shift = 0
        while True:
            byte = self.take(1)[0]
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return value

    def signed(self):
        value = self.whole()
        return (value >> 1) ^ -(value & 1)

    def float(self):
        return struct.unpack("<d", self.take(8))[0]

    def block(self):
        return self.take(self.whole())

    def column(self, count):
        kind, inner = self.take(1)[0], self.block()
        if kind == 2:
            return [int(value) for value in standalone.simple_decompress(inner)]
        inner = Block.of(inner)
        return inner.runs() if kind == 0 else inner.packed(count)

    @classmethod
    def of(cls, raw):
        block = cls.__new__(cls)
        block.bytes, block.at = raw, 0
        return block

    def runs(self):
        values, value = [], 0
        while self.at < len(self.bytes):
            value += self.signed()
            values += [value] * self.whole()
        return values

    def packed(self, count):
        value = self.signed()
        values, width = [value], self.take(1)[0]
        bits = int.from_bytes(self.bytes[self.at :], "little")
        for place in range(count - 1):
            step = (bits >> (place * width)) & ((1 << width) - 1)
            value += (step >> 1) ^ -(step & 1)
            values.append(value)
        return values

    def name(self):
        run, first = self.signed(), self.whole()
        return run, first, first + self.whole(), self.whole()


def read_times(sealed):
    block = Block(0x11, sealed)
    run, first, last, rows = block.name()
    group, previous, start = block.whole(), block.whole(), block.signed()
    after = block.column(rows)
    block.column(rows)
    block.column(rows)
    assert len(after) == rows
    return (run, first, last, rows), [start + step for step in after]


def read_values(sealed):
    block = Block(0x12, sealed)
    signal = block.signed()
    tag, unit, encoding = (block.block().decode() for _ in range(3))
    scale, offset = block.float(), block.float()
    gap_limit_ms, configuration = block.whole(), block.take(8)
    name = block.name()
    codes = block.column(name[3])
    count = sum(code < NO_VALUE for code in codes)
    kind = block.take(1)[0]
    if kind == 0:
        values = [number * scale + offset for number in block.column(count)]
    else:
        inner = block.block()
        values = standalone.simple_decompress(inner) if count else numpy.zeros(0)
        values = [float(value) for value in values]
    assert len(codes) == name[3] and len(values) == count
    return signal, tag, name, codes, values


def readings(path):
    file = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    times = {first: read_times(block) for first, block in file.execute("SELECT first, block FROM time_chunks")}
    tags = dict(file.execute("SELECT id, tag FROM signals"))
    found = {}
    chunks = 0
    for key, block in file.execute("SELECT key, block FROM chunks"):
        signal, tag, name, codes, values = read_values(block)
        first = key >> SIGNAL_BITS
        assert (first, signal) == (name[1], key & ((1 << SIGNAL_BITS) - 1)) and tags[signal] == tag
        named, utc = times[first]
        assert named == name
        values = iter(values)
        for at, code in zip(utc, codes):
            value = next(values) if code < NO_VALUE else None
            if code != ABSENT:
                assert (tag, at) not in found, "a reading twice"
                found[tag, at] = (value, code)
        chunks += 1
    return chunks, found


def main():
    path, expected = sys.argv[1:]
    chunks, found = readings(path)
    wanted = {}
    with open(expected, newline="") as rows:
        for tag, utc_ms, value, code in csv.reader(rows):
            wanted[tag, int(utc_ms)] = (float(value) if value else None, int(code))
    assert wanted and found.keys() == wanted.keys(), f"{len(found)} readings, {len(wanted)} expected"
    for key, reading in wanted.items():
        assert found[key] == reading, f"{key}: {found[key]} instead of {reading}"
    print(f"{chunks} chunks, {len(found)} readings: all equal to the bit")


if __name__ == "__main__":
    main()
