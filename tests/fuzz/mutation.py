"""Changes that people and broken tools make to a text, and a few that nobody makes: lines, words, numbers, bytes."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import cache
from random import Random

__all__ = ["Mutator"]

_WORD = re.compile(rb"[^\s,\[\]{}\"]+|[,\[\]{}\"]")
_NUMBER = re.compile(rb"\d+")
_NUMBERS = (b"0", b"1", b"-1", b"255", b"256", b"4094", b"4095", b"65535", b"65536", b"2147483648", b"9" * 30, b"007",
            b"1e9", b"0x10", b"1.5", b"0.0.0.0", b"255.255.255.255", b"0.0.0.255", b"0.0.255.0", b"10.0.0.0/33",
            b"10.1.20.0/0", b"2001:db8::/129", b"::", b"::ffff:10.1.1.1", b"fe80::1", b"1.2.3",
            b"010.1.1.1")  # fmt: skip
_ODD = (b"\x00", b"\r", b"\t", b"\xff", b"\xef\xbb\xbf", "\u2028".encode(), "\u00e9".encode(), "\u0660".encode(),
        b"\x1b[31m", b"\\", b"'", b'"', b"`", b"!", b"#", b"%", b"&a ", b"*a", b": ", b"- ", b"<<: ", b"? ", b"|",
        b"~", b"\x85", "\U0001f6a2".encode(), b"^C", b"@", b"\n\n", b"  ", b"\xed\xa0\x80", b"=", b"$1")  # fmt: skip
_FEW_LINES = 40
"""Long seeds are cut to that many lines most of the time: an input costs what its length costs."""


class Mutator:
    """Makes inputs from seeds; the same random numbers make the same inputs.

    Parameters
    ----------
    seeds
        Texts to start from; their words and lines are the vocabulary.
    """

    def __init__(self, seeds: Sequence[bytes]) -> None:
        self._seeds = seeds
        self._lines = sorted({line for seed in seeds for line in seed.split(b"\n")})
        self._words = sorted({word for seed in seeds for word in _WORD.findall(seed)})

    def fresh(self, random: Random) -> bytes:
        """Return a seed, changed."""
        data = random.choice(self._seeds)
        lines = data.split(b"\n")
        if len(lines) > _FEW_LINES and random.random() < 0.9:
            start = random.randrange(len(lines) - _FEW_LINES // 2)
            data = b"\n".join(lines[start : start + random.randint(3, _FEW_LINES)])
        return self.changed(data, random)

    def changed(self, data: bytes, random: Random) -> bytes:
        """Return a text with one to eight changes."""
        for _ in range(min(random.randint(1, 8), random.randint(1, 8))):
            change = random.choices(_changes()[0], _changes()[1])[0]
            data = change(self, data, random)
        return data

    # -- changes

    def _change_line(self, data: bytes, random: Random) -> bytes:
        lines = data.split(b"\n")
        place, other = random.randrange(len(lines)), random.randrange(len(lines))
        what = random.randrange(7)
        if what == 0:
            del lines[place]
        elif what == 1:
            lines.insert(other, lines[place])
        elif what == 2:
            lines[place], lines[other] = lines[other], lines[place]
        elif what == 3 and place + 1 < len(lines):
            lines[place : place + 2] = [lines[place] + b" " + lines[place + 1]]
        elif what == 4:
            lines[place] = lines[place][: random.randint(0, len(lines[place]))]
        elif what == 5:
            lines[place] = random.choice((b"", b" ", b"  ", b"no ", b"default ", b"    ")) + lines[place].lstrip()
        else:
            lines.insert(place, random.choice(self._lines))
        return b"\n".join(lines)

    def _take_line(self, data: bytes, random: Random) -> bytes:
        lines = data.split(b"\n")
        lines.insert(random.randint(0, len(lines)), random.choice(self._lines))
        return b"\n".join(lines)

    def _change_word(self, data: bytes, random: Random) -> bytes:
        words = list(_WORD.finditer(data))
        if not words:
            return data
        word, other = random.choice(words), random.choice(words)
        new = random.choice((
            random.choice(self._words), random.choice(self._words), other[0], b"", word[0] + b" " + other[0],
            word[0] + b" " + random.choice(self._words), random.choice(_NUMBERS), word[0].upper(),
            word[0][: random.randint(0, len(word[0]))], word[0] + random.choice(_ODD),
        ))  # fmt: skip
        return data[: word.start()] + new + data[word.end() :]

    def _change_number(self, data: bytes, random: Random) -> bytes:
        numbers = list(_NUMBER.finditer(data))
        if not numbers:
            return data
        number = random.choice(numbers)
        value = int(number[0][:30])
        new = random.choice((b"%d" % (value + 1), b"%d" % abs(value - 1), b"%d" % (value ^ 1 << random.randrange(9)),
                             random.choice(_NUMBERS), random.choice(numbers)[0]))  # fmt: skip
        return data[: number.start()] + new + data[number.end() :]

    def _change_bytes(self, data: bytes, random: Random) -> bytes:
        place = random.randint(0, len(data))
        what = random.randrange(5)
        if what == 0:
            return data[:place] + random.choice(_ODD) + data[place:]
        if what == 1:
            return data[:place] + data[place + random.randint(1, 40) :]
        if what == 2:
            return data[:place] + random.randbytes(random.randint(1, 4)) + data[place:]
        if what == 3 and place < len(data):
            return data[:place] + bytes([data[place] ^ 1 << random.randrange(8)]) + data[place + 1 :]
        return data[:place]

    def _repeat(self, data: bytes, random: Random) -> bytes:
        """Something many times: a long line, a deep nesting, a long list."""
        place = random.randint(0, len(data))
        piece = random.choice((b"[", b"{", b"{a: ", b"- ", b"a ", b"1,", b"(", b"\n ", b" any", b"\n", b"\n!", b"[{",
                               random.choice(self._words) + b" ", random.choice(self._lines) + b"\n"))  # fmt: skip
        return data[:place] + piece * random.choice((20, 200, 200, 2000 // len(piece))) + data[place:]

    def _splice(self, data: bytes, random: Random) -> bytes:
        other = random.choice(self._seeds).split(b"\n")
        start = random.randrange(len(other))
        lines = data.split(b"\n")
        place = random.randint(0, len(lines))
        return b"\n".join([*lines[:place], *other[start : start + random.randint(1, 12)], *lines[place:]])


@cache
def _changes() -> tuple[list[Callable[[Mutator, bytes, Random], bytes]], list[int]]:
    """The changes, and how often each is made."""
    table = {
        Mutator._change_word: 30, Mutator._change_number: 18, Mutator._change_line: 22, Mutator._take_line: 10,
        Mutator._splice: 7, Mutator._change_bytes: 10, Mutator._repeat: 3,
    }  # fmt: skip
    return list(table), list(table.values())
