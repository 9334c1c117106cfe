"""A mutator of bytes: what was good, made bad in one to six places, by the seed alone."""

from __future__ import annotations

import random
from collections.abc import Sequence

# What breaks readers: numbers out of range, controls, markup, formulas, paths, depth, length.
NASTY = (
    *(b"NaN", b"-Infinity", b"1e400", b"-0", b"1e-400", b"9" * 400, b"0x10", b"1_0", b"True"),
    *(b"\x00", b"\r\n", b"\x1b[2J", b"\x9b31m", b"\x7f", b"\xff\xfe", b"\xed\xa0\x80", b"\xc0\x80"),
    *(
        b"\\ud800",
        b"\\u0000",
        b"\xe2\x80\xa8",
        b"\xe2\x80\xae",
        b"\xef\xbb\xbf",
        b"\xf0\x9f\x92\xa7",
    ),
    *(b"<script>alert(1)</script>", b'"><img src=x onerror=alert(1)>', b"{{7*7}}", b"{% raw %}"),
    *(b"=1+1", b"+1", b"-1", b"@sum(a1)", b"'; DROP TABLE entry;--", b"../../etc/passwd", b"%00"),
    *(b"%2e%2e%2f", b"%ff", b"$(reboot)", b"`id`", b"%s%n", b"{0}", b"~", b"/", b"//", b"#", b"+"),
    *(
        b"[" * 3000,
        b'{"a":' * 800,
        b"a" * 3000,
        b"&a=1" * 70,
        b'"',
        b"'",
        b"\\",
        b",",
        b":",
        b"null",
    ),
    *(b"2026-02-30T25:61:00Z", b"-99999-01-01", b"253402300800000", b"18446744073709551616"),
)


def mutated(rng: random.Random, seeds: Sequence[bytes]) -> bytes:
    """One of the seeds, mutated."""
    data = bytearray(rng.choice(seeds))
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        at = rng.randrange(len(data) + 1)
        to = min(len(data), at + rng.choice((1, 1, 2, 4, 16, 64)))
        match rng.randrange(8):
            case 0 if data:
                data[min(at, len(data) - 1)] ^= 1 << rng.randrange(8)
            case 1:
                data[at:at] = rng.choice(NASTY)
            case 2:
                data[at:to] = rng.choice(NASTY)
            case 3:
                del data[at:to]
            case 4:
                data[at:at] = data[at:to] * rng.randrange(1, 9)
            case 5:
                data[at:to] = rng.randbytes(to - at)
            case 6:
                other = rng.choice(seeds)
                data[at:] = other[rng.randrange(len(other) + 1) :]
            case _:
                del data[at:]
    return bytes(data)
