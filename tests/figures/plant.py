"""Invented lines of any size for the figures, and controllers whose values the figures turn themselves.

The line folders are plain text as a person would write them; nothing here uses the project's code.
"""

import json
import selectors
import socket
import struct
import threading
import time

REGISTERS_MOST = 125
# Of four alarms: two limits, one mean, one held against the recipe.
KINDS = ("limit", "limit", "moving-average", "time-weighted")
# What a controller here can be made to do instead of answering.
FAULTS = ("silent", "late", "closes", "exception", "short", "other number", "noise")
LATE_S = 0.9


def free_ports(count):
    """Ports of this machine that are free, and most likely still free a moment later."""
    held = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    ports = [server.getsockname()[1] for server in held]
    for server in held:
        server.close()
    return ports


def toml(value):
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(toml(one) for one in value) + "]"
    return json.dumps(value)


def tables(parts):
    lines = []
    for head, keys in parts:
        lines += ["", head, *(f"{key} = {toml(value)}" for key, value in keys.items())]
    return "\n".join(lines) + "\n"


def tag(index):
    return f"TT-{100 + index}"


def line_text(signals, controllers, poll_every):
    parts = [
        ("[line]", {"name": "Figures", "plant": "Bench", "time_zone": "UTC", "recipe": "bench"}),
        ("[[station]]", {"key": "bench", "name": "Bench"}),
    ]
    for index in range(controllers):
        parts.append(("[[controller]]", {"name": f"plc-{index}", "poll_every": poll_every}))
    for index in range(signals):
        parts.append(("[[signal]]", {
            "tag": tag(index), "name": f"Bath {index}", "station": "bench", "controller": f"plc-{index % controllers}",
            "role": "measured", "holding": index // controllers, "encoding": "i16", "scale": 0.1, "unit": "degC",
            "range": ["0 degC", "250 degC"], "simulate": {"typical": "180 degC", "noise": "0.3 K", "time_constant": "20 s"},
        }))
    return tables(parts)


def alarm(index, signals, kind):
    table = {
        "id": f"a-{index}", "name": f"Alarm {index}", "signal": tag(index % signals), "side": "above",
        "priority": "low", "causes": ["Heat stuck on"], "consequence": "Product is held",
        "response": {"now": ["Turn the heat down"]}, "time_to_respond": "20 min",
    }
    own = {
        "limit": {"limit": "220 degC", "deadband": "1 K"},
        "moving-average": {"limit": "215 degC", "window": "2 min"},
        "time-weighted": {"allowance": "240 K.s", "recovery": "90 s"},
    }
    return (f"[[{kind}]]", {**table, **own[kind]})


def write(folder, signals, ports, alarms, poll_every="1 s", kinds=KINDS):
    """A line over a controller at each port; alarm number n watches signal number n, over and over."""
    (folder / "recipes").mkdir(parents=True)
    (folder / "line.toml").write_text(line_text(signals, len(ports), poll_every))
    found = [alarm(index, signals, kinds[index % len(kinds)]) for index in range(alarms)]
    (folder / "alarms.toml").write_text(tables(found) if found else "# None.\n")
    held = sorted({index % signals for index in range(alarms) if kinds[index % len(kinds)] == "time-weighted"})
    setpoints = [
        ("[[setpoint]]", {"signal": tag(index), "value": "180 degC", "tolerance": {"below": "9 K", "above": "9 K"},
                          "judge_when": "always"}) for index in held
    ]
    (folder / "recipes" / "bench.toml").write_text(tables([("[recipe]", {"name": "Bench"}), *setpoints]))
    endpoints = [
        ("[[endpoint]]", {"controller": f"plc-{index}", "address": f"127.0.0.1:{port}"}) for index, port in enumerate(ports)
    ]
    site = f'simulated = true\npage = "127.0.0.1:0"\n{tables(endpoints)}\n[history]\nfree_megabytes = 0\n'
    (folder / "site.toml").write_text(site)
    return folder


def spoiled(good, fault):
    """A good answer, as a controller with a fault would give it."""
    number, _, _, unit, function = struct.unpack(">HHHBB", good[:8])
    return {
        None: good,
        "exception": struct.pack(">HHHBBB", number, 0, 3, unit, function | 0x80, 4),
        "short": struct.pack(">HHHBBB", number, 0, 3, unit, function, 0),
        "other number": struct.pack(">H", number ^ 0x5A5A) + good[2:],
        "noise": bytes((7 * at + number) % 256 for at in range(len(good))),
    }[fault]


class Controllers(threading.Thread):
    """Controllers of this process, each at a port, that answer reads of holding registers, or say nothing at all."""

    def __init__(self, ports, silent_ports=()):
        super().__init__(daemon=True)
        self.words = {port: [1800] * REGISTERS_MOST for port in ports}
        self.waiting = selectors.DefaultSelector()
        self.over = False
        # {port: one of FAULTS}, as set from outside; and answers that are held back: (when, connection, bytes).
        self.faults = {}
        self.held = []
        for port in [*ports, *silent_ports]:
            server = socket.create_server(("127.0.0.1", port))
            server.setblocking(False)
            self.waiting.register(server, selectors.EVENT_READ, ("listen", port))

    def run(self):
        while not self.over:
            for key, _ in self.waiting.select(0.02 if self.held else 0.2):
                what, port = key.data
                if what == "listen":
                    connection, _ = key.fileobj.accept()
                    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    self.waiting.register(connection, selectors.EVENT_READ, ("answer", port))
                else:
                    self.answer(key.fileobj, port)
            self.let_go_what_is_late()
        for key in list(self.waiting.get_map().values()):
            key.fileobj.close()

    def answer(self, connection, port):
        try:
            request = connection.recv(260)
        except OSError:
            request = b""
        fault = self.faults.get(port)
        if not request or fault == "closes":
            self.waiting.unregister(connection)
            connection.close()
        elif port in self.words and fault != "silent":
            # One request at a time is all that the other end sends.
            number, _, _, unit, function, first, count = struct.unpack(">HHHBBHH", request[:12])
            words = self.words[port][first:first + count]
            good = struct.pack(f">HHHBBB{count}H", number, 0, 3 + 2 * count, unit, function, 2 * count, *words)
            if fault == "late":
                self.held.append((time.monotonic() + LATE_S, connection, good))
            else:
                connection.sendall(spoiled(good, fault))

    def let_go_what_is_late(self):
        now = time.monotonic()
        for at, connection, answer in [one for one in self.held if one[0] <= now]:
            self.held.remove((at, connection, answer))
            try:
                connection.sendall(answer)
            except OSError:
                pass  # The other end has given it up.

    def stop(self):
        self.over = True
        self.join()
