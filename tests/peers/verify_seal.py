"""Proves a record's chain of hashes from docs/seal.md alone, with another BLAKE3 than ours.

    python verify_seal.py DATA

Prints as JSON the head, and the first fault: which link, and of what kind; null where all holds. Reads
everything in one transaction. It makes no attempt to be fast, nor to name the row that was changed.
"""

import json
import struct
import sys

from blake3 import blake3
from read_record import open_record

MAPPED = 247423


def number(value) -> bytes:
    return struct.pack("<q", value)


def optional(value) -> bytes:
    return b"\0" + number(0) if value is None else b"\1" + number(value)


def text(value) -> bytes:
    return number(len(value or b"")) + (value or b"")


def numbers(packed) -> list:
    packed = packed or b""
    return list(struct.unpack(f"<{len(packed) // 8}q", packed))


def pairs(packed) -> list:
    flat = numbers(packed)
    return list(zip(flat[::2], flat[1::2]))


def sealed(at, channel, code, flags) -> bytes:
    if code is None:
        kind, eight = 0, bytes(8)
    elif isinstance(code, int):
        kind, eight, flags = 1, number(code), flags & ~MAPPED
    elif isinstance(code, float):
        kind, eight, flags = 2, struct.pack("<d", code), flags & ~MAPPED
    else:
        raise ValueError("a code that is no number")
    return number(at) + number(channel) + bytes([kind]) + eight + number(flags)


class Record:
    """The rows that a link covers, as the file has them."""

    def __init__(self, data):
        self.file = open_record(data)
        # Texts as they lie in the file.
        self.file.text_factory = bytes
        self.file.execute("BEGIN")
        self.links = self.all("SELECT id, kind, session, batch, at, samples, sample_to, event_to, gap_to,"
                              " clock_to, named, closed, marks, hash FROM seal ORDER BY id")
        late = (pairs(link[10]) for link in self.links if link[1] == 1)
        self.late = {key for keys in late for key in keys}

    def all(self, sql, *values) -> list:
        return self.file.execute(sql, values).fetchall()

    def samples(self, named, after, to):
        for key in sorted(named):
            yield from self.all("SELECT at, channel, code, flags FROM sample WHERE at = ? AND channel = ?", *key)
        rows = self.all("SELECT at, channel, code, flags FROM sample WHERE (? IS NULL OR at > ?) AND at <= ?"
                        " ORDER BY at, channel", after, after, to)
        yield from (row for row in rows if row[:2] not in self.late)

    def rows(self, columns, table, after, to) -> list:
        return self.all(f"SELECT {columns} FROM {table} WHERE (? IS NULL OR id > ?) AND id <= ? ORDER BY id",
                        after, after, to)


def content(record, link, before) -> bytes:
    """The hash of a link as it follows from the file."""
    (id, kind, session, batch, at, count, *fronts, named, closed, marks, _) = link
    sample_from, event_from, gap_from, clock_from = before[6:10] if before else [None] * 4
    sample_to, event_to, gap_to, clock_to = fronts
    ended = record.all("SELECT 1 FROM session WHERE id = ? AND batch = ? AND ended = 'stopped'", session, batch)
    out = [b"zonda.seal.link1", before[13] if before else bytes(32)]
    out += [number(id), number(kind), optional(session), number(batch), number(at)]
    out += [number(1 if ended and kind == 1 else 0)]
    out += [optional(front) for front in fronts] + [text(named), text(closed), number(count)]
    if kind == 1:
        out += [sealed(*row) for row in record.samples(pairs(named), sample_from, sample_to)]
    out += [text(marks)]
    if kind == 0:
        return blake3(b"".join(out)).digest()
    gaps = record.rows("id, channel, from_at, cause, detail", "gap", gap_from, gap_to)
    out += [number(len(gaps))]
    out += [number(row[0]) + number(row[1]) + number(row[2]) + text(row[3]) + text(row[4]) for row in gaps]
    out += [number(len(numbers(closed)))]
    for key in numbers(closed):
        for to, missed in record.all("SELECT to_at, missed FROM gap WHERE id = ?", key):
            out += [number(key), optional(to), number(missed)]
    events = record.rows("id, at, severity, kind, subject, text", "event", event_from, event_to)
    out += [number(len(events))]
    out += [number(row[0]) + number(row[1]) + b"".join(map(text, row[2:])) for row in events]
    clocks = record.rows("id, at, axis_minus_utc_us, cause", "clock", clock_from, clock_to)
    out += [number(len(clocks))]
    out += [b"".join(map(number, row[:3])) + text(row[3]) for row in clocks]
    if kind == 2:
        for row in record.all("SELECT boot, version, config, text FROM session JOIN config_revision"
                              " ON hash = config WHERE id = ?", session):
            out += map(text, row)
        out += [number(len(pairs(named)))]
        for channel, version in pairs(named):
            for row in record.all("SELECT name, quantity, si_unit, since_at, config, text FROM mapping"
                                  " JOIN channel ON channel.id = mapping.channel"
                                  " WHERE mapping.channel = ? AND version = ?", channel, version):
                out += [number(channel), *map(text, row[:3]), number(version), number(row[3]), *map(text, row[4:])]
    if kind == 3:
        for table, key in pairs(named):
            assert table == 1, "a table that docs/seal.md does not name"
            for row in record.all("SELECT id, at, channel, from_at, to_at, undoes, mapping, reason, by_whom"
                                  " FROM correction WHERE id = ?", key):
                out += [*map(optional, row[:6]), *map(text, row[6:])]
    return blake3(b"".join(out)).digest()


def first_fault(record):
    before = None
    for link in record.links:
        if link[0] != (before[0] if before else 0) + 1:
            return {"link": link[0], "kind": "links_missing"}
        try:
            holds = content(record, link, before) == link[13]
        except ValueError:
            holds = False
        if not holds:
            return {"link": link[0], "kind": "content"}
        before = link
    return strays(record, before)


def strays(record, head):
    """What no link covers, and sessions that know of more than the chain."""
    if head is None:
        recorded = record.all("SELECT 1 FROM session LIMIT 1")
        return {"link": None, "kind": "unsealed"} if recorded else None
    start = record.links[0] if record.links[0][1] == 0 else [None] * 14
    for table, key, front in [("sample", "at", 6), ("event", "id", 7), ("gap", "id", 8), ("clock", "id", 9)]:
        beyond = record.all(f"SELECT 1 FROM {table} WHERE ? IS NULL OR {key} > ? LIMIT 1", head[front], head[front])
        if beyond:
            return {"link": None, "kind": "no_link", "table": table}
    closed = {key for link in record.links for key in numbers(link[11])}
    for (key,) in record.all("SELECT id FROM gap WHERE to_at IS NOT NULL AND id > coalesce(?, -1)", start[8]):
        if key not in closed:
            return {"link": None, "kind": "no_link", "table": "gap"}
    named = {kind: {pair for link in record.links if link[1] == kind for pair in pairs(link[10])} for kind in (2, 3)}
    mappings = record.all("SELECT channel, version FROM mapping WHERE since_at >= coalesce(?, 0)", start[4])
    corrections = [(1, key) for (key,) in record.all("SELECT id FROM correction")]
    if not set(mappings) <= named[2] or not set(corrections) <= named[3]:
        return {"link": None, "kind": "no_link", "table": "mapping or correction"}
    last = {link[2]: link for link in record.links if link[1] in (1, 2)}
    for key, batch, alive, ended in record.all("SELECT id, batch, alive_at, ended_at FROM session"
                                               " WHERE id > coalesce(?, 0)", start[2]):
        link = last.get(key)
        if link is None:
            return {"link": None, "kind": "no_link", "table": "session"}
        if (batch, alive) != (link[3], link[4]) or ended not in (None, alive):
            return {"link": link[0], "kind": "session_changed"}
    return None


if __name__ == "__main__":
    record = Record(sys.argv[1])
    head = record.links[-1] if record.links else None
    print(json.dumps({
        "head": head and head[13].hex(),
        "links": len(record.links),
        "samples": sum(link[5] for link in record.links),
        "fault": first_fault(record),
    }))
