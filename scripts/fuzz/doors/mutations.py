"""Mutations that know what is telling in text and JSON."""

from __future__ import annotations

import json
import re
import struct
from copy import deepcopy
from typing import Any

from doors.small_package import TAXA


def mutated(seed: bytes, random: Any) -> bytes:
    """Return the seed with a few bytes flipped, cut, doubled or replaced by telling ones. random: random.Random.

    Where it holds a JSON object, a value in it is replaced every other time, so that what follows still parses.
    """
    objects = [(m.start(), m.end()) for m in re.finditer(rb"^\{.*\}$", seed, re.MULTILINE | re.DOTALL)]
    if objects and random.random() < 0.5:
        start, end = random.choice(objects)
        return seed[:start] + _other_value(seed[start:end], random) + seed[end:]
    content = bytearray(seed)
    for _ in range(random.choice((1, 1, 2, 4, 12))):
        at = random.randrange(len(content) + 1)
        kind = random.randrange(6)
        if kind == 0 and content:
            content[at % len(content)] ^= 1 << random.randrange(8)
        elif kind == 1:
            del content[at : at + random.choice((1, 4, 40))]
        elif kind == 2:
            content[at:at] = content[at : at + random.choice((1, 8, 80))]
        elif kind == 3:
            content[at:at] = random.choice(TELLING)
        elif kind == 4:
            content[at : at + 4] = struct.pack(
                "<I", random.choice((0, 1, 2**31 - 1, 2**32 - 1, random.getrandbits(32)))
            )
        else:
            content = content[: max(at, 1)]
    return bytes(content)


def _other_value(text: bytes, random: Any) -> bytes:
    """Return the JSON with one or two of its values replaced, moved or taken out."""
    try:
        form = json.loads(text.splitlines()[0] if b"\n{" in text else text)
    except (ValueError, RecursionError):
        return text
    for _ in range(random.choice((1, 1, 2))):
        holder = form
        while isinstance(holder, dict | list) and holder:
            key = random.choice(list(holder)) if isinstance(holder, dict) else random.randrange(len(holder))
            if not isinstance(holder[key], dict | list) or not holder[key] or random.random() < 0.15:
                kind = random.randrange(6)
                if kind == 0:
                    del holder[key]
                elif kind == 1 and isinstance(holder, list):
                    holder.append(deepcopy(holder[key]))
                else:
                    holder[key] = deepcopy(random.choice(VALUES))
                break
            holder = holder[key]
    return json.dumps(form).encode()


VALUES = (
    None, True, "", "x", "\0", "=1", "../x", TAXA[0], 0, -1, 1, 1.5, 1e308, -1e-308, 2**70, [], {}, [[]], [0], ["x"],
    {"x": 1}, float("nan"), float("inf"), "a" * 300, "\r", "\ud800", "<script>",
)  # fmt: skip
TELLING = (
    b"\0", b"\r", b"\n", b'"', b"'", b",", b"\xff", b"\xef\xbb\xbf", b"../", b"nan", b"inf", b"-1", b"1e999", b"null",
    b"[]", b"{}", b"9" * 30, b"\xed\xa0\x80", "\u2028".encode(), b"\x1b[2J", b"=1+1", b"<script>", b"\\u0000", b"true",
)  # fmt: skip
