"""Line folders for tests, and the words of a number by Python's own `struct`: nothing here uses the project's code."""

import json
import struct

# What `struct` calls each encoding, most significant byte first. Decimal digits are packed below.
PACKED = {
    "u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "u64": ">Q", "i64": ">q", "f32": ">f", "f64": ">d",
}
DIGITS = {"bcd4": 4, "bcd8": 8}
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")
REGISTER_TABLES = ("holding", "input")
BIT_TABLES = ("coil", "discrete")


def big_endian(encoding, value):
    """The bytes of `value`, most significant first."""
    if encoding in DIGITS:
        return bytes.fromhex(str(value).zfill(DIGITS[encoding]))
    return struct.pack(PACKED[encoding], value)


def reordered(words, order):
    """High register first and high byte first to `order`, or back: each order undoes itself."""
    if order in ("BADC", "DCBA"):
        words = [(word & 0xFF) << 8 | word >> 8 for word in words]
    return words[::-1] if order in ("CDAB", "DCBA") else list(words)


def to_words(encoding, order, value):
    """The registers that say `value`."""
    data = big_endian(encoding, value)
    return reordered([word for (word,) in struct.iter_unpack(">H", data)], order)


def to_value(encoding, order, words):
    """What the registers say."""
    data = b"".join(struct.pack(">H", word) for word in reordered(words, order))
    if encoding in DIGITS:
        return int(data.hex())
    return struct.unpack(PACKED[encoding], data)[0]


def signal(tag, table, address, encoding=None, **more):
    """A signal of the only controller; `more` are keys of the line file, `range` and `typical` as numbers."""
    found = {"tag": tag, table: address, "encoding": encoding, **more}
    if encoding not in (None, "bit"):
        found.setdefault("unit", "1")
    return found


def toml(value):
    """A value of the line file."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml(one)}" for key, one in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml(one) for one in value) + "]"
    # The shortest text that reads back as the same float; whole numbers beyond 2^63 have no other.
    return repr(float(value)) if isinstance(value, (int, float)) and abs(value) >= 2**53 else json.dumps(value)


def write(folder, port, signals, controller=()):
    """A line of one controller, "plc", at this port of this machine."""
    (folder / "recipes").mkdir(parents=True)
    (folder / "recipes" / "none.toml").write_text('[recipe]\nname = "Nothing is held"\n')
    (folder / "alarms.toml").write_text("# None: this line is about values.\n")
    (folder / "site.toml").write_text(
        f'simulated = true\npage = "127.0.0.1:0"\n[[endpoint]]\ncontroller = "plc"\naddress = "127.0.0.1:{port}"\n'
    )
    settings = {"name": "plc", "poll_every": "1 s", **dict(controller)}
    tables = [
        ("[line]", {"name": "Peers", "plant": "Bench", "time_zone": "UTC", "recipe": "none"}),
        ("[[station]]", {"key": "bench", "name": "Bench"}),
        ("[[controller]]", settings),
    ]
    for one in signals:
        common = {"name": one["tag"], "station": "bench", "controller": "plc", "role": "status"}
        tables.append(("[[signal]]", {**common, **{key: found for key, found in one.items() if found is not None}}))
    lines = []
    for head, table in tables:
        lines += ["", head, *(f"{key} = {toml(found)}" for key, found in table.items())]
    (folder / "line.toml").write_text("\n".join(lines) + "\n")
