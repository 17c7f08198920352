"""pymodbus as the controller under `setward run`: right values, then exceptions, late replies and a closed port, each with
its reason and without an invented value, and back each time.

Usage: pymodbus_plc.py SETWARD FOLDER PORT

The registers change during each fault, so that what was read before it can't pass for what is read after it. All the
while a watcher looks at every value that is shown. Ends what it started, by itself at the latest after LASTS.
"""

import asyncio
import json
import logging
import re
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

import line_folder
from line_folder import to_words

LASTS = "80 s"
# The longest that may pass until a fault is seen, and until it is forgotten: the longest wait to dial and a few scans.
SEEN_WITHIN_S = 8
BACK_WITHIN_S = 20
HOLDS_S = 1.5
CONTROLLER = {"poll_every": "500 ms", "answer_within": "300 ms"}
LATE_S = 0.7

# Tag, table, address, encoding, order, the values in turn. "far" registers are a request of their own.
NUMBERS = [
    ("near-u16", "holding", 0, "u16", "ABCD", (0x1234, 0xFEDC)),
    ("near-i32", "holding", 1, "i32", "CDAB", (-0x12345678, 0x12345678)),
    ("near-f32", "holding", 3, "f32", "BADC", (-123.5, 98.25)),
    ("near-bcd8", "holding", 5, "bcd8", "DCBA", (12345678, 98765432)),
    ("near-f64", "holding", 7, "f64", "DCBA", (-3.141592653, 2.718281828)),
    ("far-i16", "holding", 100, "i16", "BADC", (-0x1234, 0x1234)),
    ("far-u64", "holding", 101, "u64", "CDAB", (0x0102030405060710, 0xFEDCBA9876543000)),
    ("input-u32", "input", 0, "u32", "BADC", (0x12345678, 0xFEDCBA98)),
]
# A bit of a word, and bits of their own: tag, table, address, bit, order, the values in turn.
BITS = [
    ("near-bit", "holding", 20, 5, "ABCD", (1, 0)),
    ("near-bit-swapped", "holding", 21, 5, "BADC", (0, 1)),
    ("coil-19", "coil", 19, None, None, (1, 0)),
    ("discrete-196", "discrete", 196, None, None, (0, 1)),
]
# Words that are no value: tag, address, encoding, keys of the line file, words, the reason that is shown.
NO_VALUES = [
    ("none-code", 11, "i16", {"no_value": [32767]}, [0x7FFF], "sensor_fault"),
    ("none-float", 12, "f32", {"order": "ABCD"}, [0x7FC0, 0x0000], "sensor_fault"),
    ("none-digit", 14, "bcd4", {}, [0x12A4], "sensor_fault"),
    ("none-range", 15, "u16", {"range": [0, 100]}, [101], "out_of_range"),
]
TAGS = [row[0] for row in NUMBERS + BITS]
FAR = [tag for tag in TAGS if tag.startswith("far")]


def signals():
    found = []
    for tag, table, address, encoding, order, values in NUMBERS:
        span = [min(values), max(values)]
        found.append(line_folder.signal(tag, table, address, encoding, order=order, range=span))
    for tag, table, address, bit, order, _ in BITS:
        encoding = None if bit is None else "bit"
        found.append(line_folder.signal(tag, table, address, encoding, bit=bit, order=order))
    for tag, address, encoding, more, _, _ in NO_VALUES:
        found.append(line_folder.signal(tag, "holding", address, encoding, **{"range": [-40000, 40000], **more}))
    return found


def bit_word(bit, order, value):
    """The word in which only this bit may be set."""
    return line_folder.reordered([value << bit], order)[0]


class Plc:
    """A pymodbus server that can be told to misbehave."""

    def __init__(self, port):
        self.port, self.turn = port, 0
        self.refuses_far, self.late = None, False
        self.server = None

    def expected(self):
        """What every signal says now."""
        return {row[0]: row[-1][self.turn % 2] for row in NUMBERS + BITS}

    def tables(self):
        """Address and word of everything, by table."""
        words = {"holding": {}, "input": {}, "coil": {}, "discrete": {}}
        expected = self.expected()
        for tag, table, address, encoding, order, _ in NUMBERS:
            words[table].update(enumerate(to_words(encoding, order, expected[tag]), address))
        for tag, table, address, bit, order, _ in BITS:
            state = expected[tag]
            words[table][address] = state if bit is None else bit_word(bit, order, state)
        for _, address, _, _, fixed, _ in NO_VALUES:
            words["holding"].update(enumerate(fixed, address))
        return words

    async def act(self, function, start, address, count, registers, values):
        """Called by pymodbus for each request."""
        if values is not None:
            return None
        if self.late:
            await asyncio.sleep(LATE_S)
        if self.refuses_far and function == 3 and address >= 100:
            return self.refuses_far
        return None

    async def start(self):
        words = self.tables()
        registers = {
            table: [SimData(address, values=word, datatype=DataType.REGISTERS) for address, word in words[table].items()]
            for table in ("holding", "input")
        }
        bits = {
            table: [SimData(address, values=bool(bit), datatype=DataType.BITS) for address, bit in words[table].items()]
            for table in ("coil", "discrete")
        }
        data = (bits["coil"], bits["discrete"], registers["holding"], registers["input"])
        device = SimDevice(1, simdata=data, action=self.act)
        self.server = ModbusTcpServer(device, address=("127.0.0.1", self.port))
        await self.server.serve_forever(background=True)

    async def next_values(self):
        """Writes the other value into every register."""
        self.turn += 1
        words = self.tables()
        for table, function in (("holding", 16), ("input", 4)):
            for address, word in words[table].items():
                await self.server.async_setValues(1, function, address, [word])
        for table, function in (("coil", 15), ("discrete", 2)):
            for address, bit in words[table].items():
                await self.server.async_setValues(1, function, address, [bool(bit)])

    async def stop(self):
        await self.server.shutdown()


class Page:
    """What Setward shows."""

    def __init__(self, url):
        self.url = url
        self.looked = 0

    def get(self, path):
        with urllib.request.urlopen(f"{self.url}{path}", timeout=5) as reply:
            return json.load(reply)

    async def signals(self):
        body = await asyncio.to_thread(self.get, "/api/v1/signals")
        return {signal["tag"]: signal for signal in body["items"]}

    async def problem(self):
        body = await asyncio.to_thread(self.get, "/api/v1/line")
        (controller,) = body["item"]["controllers"]
        return controller["problem"]


def invented(shown):
    """Values that no register ever held, and values of what has none."""
    held = {row[0]: row[-1] for row in NUMBERS + BITS}
    wrong = []
    for tag, signal in shown.items():
        for key in ("value", "last_good_value"):
            value = signal[key]
            if value is not None and all(abs(value - one) > 1e-9 for one in held.get(tag, ())):
                wrong.append((tag, key, value))
        if (signal["value"] is None) != (signal["quality"] == "bad"):
            wrong.append((tag, signal["quality"], signal["value"]))
    return wrong


async def watch(page):
    """Looks at everything that is shown until it is cancelled."""
    while True:
        wrong = invented(await page.signals())
        assert not wrong, f"invented: {wrong}"
        page.looked += 1
        await asyncio.sleep(0.1)


async def until(what, within_s, test):
    """Waits until `test` finds nothing wrong; how long that took, in s."""
    began = time.monotonic()
    while True:
        wrong = await test()
        if not wrong:
            return time.monotonic() - began
        assert time.monotonic() - began < within_s, f"{what}: not within {within_s} s: {wrong}"
        await asyncio.sleep(0.1)


def as_bad(page, tags, reason, says, expected):
    """A test for `until`: these are bad for this reason and keep their last value apart, the others are as expected."""

    async def test():
        shown, problem = await page.signals(), await page.problem()
        wrong = [] if problem and says in problem else [problem]
        for tag in TAGS:
            signal = shown[tag]
            found = (signal["quality"], signal["reason"], signal["value"])
            if tag in tags:
                if found != ("bad", reason, None) or abs(signal["last_good_value"] - expected[tag]) > 1e-9:
                    wrong.append((tag, found, signal["last_good_value"]))
            elif signal["value"] is None or abs(signal["value"] - expected[tag]) > 1e-9:
                wrong.append((tag, found))
        return wrong

    return test


def as_right(page, plc):
    """A test for `until`: every value is that of the registers, and what has none says why."""

    async def test():
        shown, problem = await page.signals(), await page.problem()
        wrong = [problem] if problem else []
        for tag, value in plc.expected().items():
            signal = shown[tag]
            if signal["value"] is None or abs(signal["value"] - value) > 1e-9:
                wrong.append((tag, signal["value"], signal["reason"], value))
        for tag, *_, reason in NO_VALUES:
            if (shown[tag]["quality"], shown[tag]["reason"]) != ("bad", reason):
                wrong.append((tag, shown[tag]["quality"], shown[tag]["reason"]))
        return wrong

    return test


async def suffer(name, page, plc, bad, begin, end):
    """Goes into a fault, stays in it while the registers change, and comes out of it. `bad`: tags, reason, words."""
    tags, reason, says = bad
    before = plc.expected()
    await begin()
    seen = await until(name, SEEN_WITHIN_S, as_bad(page, tags, reason, says, before))
    others_move = set(tags) != set(TAGS)
    if not others_move:
        await end_of_fault_values(plc)
    stays = time.monotonic() + HOLDS_S
    while time.monotonic() < stays:
        shown = await page.signals()
        values = [(tag, shown[tag]["value"]) for tag in tags if shown[tag]["value"] is not None]
        assert not values, f"{name}: a value came from nowhere: {values}"
        await asyncio.sleep(0.1)
    if others_move:
        await end_of_fault_values(plc)
    await end()
    back = await until(f"back after {name}", BACK_WITHIN_S, as_right(page, plc))
    print(f"  {name}: seen after {seen:.1f} s as {reason} ({says!r}), right again after {back:.1f} s")


async def end_of_fault_values(plc):
    """The registers move on; a server that is down comes back with them."""
    if plc.server is None:
        plc.turn += 1
    else:
        await plc.next_values()


async def play(plc, page):
    took = await until("all values at the start", SEEN_WITHIN_S, as_right(page, plc))
    print(f"  {len(TAGS)} values right and {len(NO_VALUES)} without one, after {took:.1f} s")

    def refuses(code):
        async def begin():
            plc.refuses_far = code
        return begin

    async def answers_late():
        plc.late = True

    async def closes():
        await plc.stop()
        plc.server = None

    async def is_well():
        plc.refuses_far, plc.late = None, False
        if plc.server is None:
            await plc.start()

    failure = (FAR, "exception", "exception 04")
    await suffer("a block refused", page, plc, failure, refuses(ExcCodes.DEVICE_FAILURE), is_well)
    late = (TAGS, "no_reply", "no reply within 300 ms")
    await suffer("replies too late", page, plc, late, answers_late, is_well)
    await suffer("port closed", page, plc, (TAGS, "refused", "refused"), closes, is_well)


async def main():
    setward, folder, port = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    line_folder.write(folder, port, signals(), CONTROLLER)
    plc = Plc(port)
    await plc.start()
    errors = folder / "run.txt"
    command = [setward, "run", str(folder), "--page", "127.0.0.1:0", "--for", LASTS]
    with errors.open("w") as told:
        run = subprocess.Popen(command, stdout=told, stderr=told)
    try:
        async def no_url():
            assert run.poll() is None, errors.read_text()
            return "" if re.search(r"http://[0-9.:]+", errors.read_text()) else "no address"

        await until("the page", 20, no_url)
        page = Page(re.search(r"http://[0-9.:]+", errors.read_text()).group())
        watching = asyncio.create_task(watch(page))
        playing = asyncio.create_task(play(plc, page))
        # Whichever ends first: the watcher only ends by finding something.
        await asyncio.wait((watching, playing), return_when=asyncio.FIRST_COMPLETED)
        for task in (watching, playing):
            if task.done():
                task.result()
        watching.cancel()
        assert page.looked >= 50, page.looked
        run.terminate()
        assert await asyncio.to_thread(run.wait, 10) == 0, errors.read_text()
        print(f"pymodbus as the controller: 3 faults told and forgotten; {page.looked} looks, no invented value")
    finally:
        if run.poll() is None:
            run.kill()
            run.wait()
        if plc.server is not None:
            await plc.stop()


# What it says of connections that Setward gives up is no news here.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
asyncio.run(main())
