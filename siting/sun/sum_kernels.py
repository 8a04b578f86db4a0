"""Compiled sums over masks of eight directions a byte.

Cells in full sun cost next to nothing: what is dark is taken from the whole, eight cells at a time
are passed over where no direction is dark, and where all directions weigh the same only their
number counts.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siting.compiled import compiled
from siting.sun.kernels import Floats, Word, Words

__all__ = ["add_lit", "add_lit_rows", "turn"]

#: Columns of a mask, and rows, that are added up at once: one line of the processor's cache.
_LINES = 8


@compiled
def add_lit(out: Floats, masks: NDArray[np.uint64], weight: Floats) -> None:
    """Add the weights of all directions that arrive, from masks column by column.

    out (rows, columns): changed in place; masks (groups, columns * stride / 8): eight directions a
    byte each, see `siting.sun.kernels`, at most 31 groups; weight (groups * 8,): of the directions,
    0 where a group has fewer.
    """
    rows, columns = out.shape
    words = masks.shape[1] // columns
    table, alike = _table(weight)
    whole = weight.sum()
    lines = np.zeros((len(masks), _LINES), np.uint64)
    dark = np.zeros((_LINES, _LINES))
    for left in range(0, columns, _LINES):
        many = min(_LINES, columns - left)
        for w in range(words):
            seen = np.uint64(0)
            for g in range(len(masks)):
                for c in range(many):
                    word = masks[g, (left + c) * words + w]
                    lines[g, c] = word
                    seen |= word
            block = out[8 * w : min(8 * w + 8, rows), left : left + many]
            if seen == 0:
                for r in range(len(block)):
                    for c in range(many):
                        block[r, c] += whole
                continue
            if alike:
                _count_lines(dark, lines, weight[0])
            else:
                _sum_lines(dark, lines, table)
            for r in range(len(block)):
                for c in range(many):
                    block[r, c] += whole - dark[r, c]


@compiled
def _count_lines(dark: Floats, lines: NDArray[np.uint64], weight: float) -> None:
    """Count what is dark in eight rows of eight columns, where every direction weighs the same."""
    for c in range(_LINES):
        count = np.uint64(0)
        for g in range(len(lines)):
            count += _bits_of_bytes(lines[g, c])
        lines[0, c] = count
    first = lines[0]
    for r in range(_LINES):
        line = dark[r]
        for c in range(_LINES):
            line[c] = weight * np.float64(np.int64((first[c] >> np.uint64(8 * r)) & np.uint64(255)))


@compiled
def _sum_lines(dark: Floats, lines: NDArray[np.uint64], table: Floats) -> None:
    """Add up what is dark in eight rows of eight columns."""
    dark[:, :] = 0.0
    for g in range(len(lines)):
        seen = np.uint64(0)
        words, sums = lines[g], table[g]
        for c in range(_LINES):
            seen |= words[c]
        if seen == 0:
            continue
        for r in range(_LINES):
            line = dark[r]
            for c in range(_LINES):
                line[c] += sums[(words[c] >> np.uint64(8 * r)) & np.uint64(255)]


@compiled
def add_lit_rows(out: Floats, dark: NDArray[np.uint8], weight: Floats) -> None:
    """Add the weights of all directions that arrive, from masks row by row.

    out (rows, columns): changed in place; dark (groups, rows, columns): eight directions a byte;
    weight (groups * 8,): of the directions, 0 where a group has fewer.
    """
    rows, columns = out.shape
    groups = len(dark)
    table, alike = _table(weight)
    whole = weight.sum()
    words = np.zeros((groups, (columns + 7) // 8), np.uint64)
    line = np.zeros(8 * words.shape[1])
    for r in range(rows):
        for g in range(groups):
            words[g].view(np.uint8)[:columns] = dark[g, r]
        touched = False
        if alike:
            touched = _count_dark(line, words, weight[0])
        else:
            for g in range(groups):
                touched |= _sum_dark(line, words[g], table[g])
        place = out[r]
        for c in range(columns):
            place[c] += whole - line[c]
        if touched:
            line[:] = 0.0


@compiled
def turn(masks: NDArray[np.uint64], dark: NDArray[np.uint8], stride: int) -> None:
    """Turn masks that lie row by row into masks column by column.

    masks (groups, columns * stride / 8): changed in place; dark (groups, rows, columns): row by
    row.
    """
    groups, rows, columns = dark.shape
    for g in range(groups):
        flat = masks[g].view(np.uint8)
        for left in range(0, columns, _LINES):
            for r in range(rows):
                line = dark[g, r]
                for c in range(left, min(left + _LINES, columns)):
                    flat[c * stride + r] = line[c]


@compiled
def _table(weight: Floats) -> tuple[Floats, bool]:
    """Sum of the weights of the bits that are set, for every byte; whether all weigh the same."""
    groups = len(weight) // 8
    table = np.zeros((groups, 256))
    for g in range(groups):
        for bits in range(1, 256):
            low = bits & -bits
            place = 0
            while low >> place != 1:
                place += 1
            table[g, bits] = table[g, bits - low] + weight[8 * g + place]
    last = len(weight)
    while last > 1 and weight[last - 1] == 0:
        last -= 1
    alike = True
    for k in range(1, last):
        alike &= weight[k] == weight[0]
    return table, alike


@compiled
def _sum_dark(line: Floats, words: Words, table: Floats) -> bool:
    """Add up what is dark of eight directions; whether anything is."""
    touched = False
    for w in range(len(words)):
        word = words[w]
        if word != 0:
            touched = True
            part = line[8 * w : 8 * w + 8]
            for b in range(8):
                part[b] += table[(word >> np.uint64(8 * b)) & np.uint64(255)]
    return touched


@compiled
def _count_dark(line: Floats, masks: NDArray[np.uint64], weight: float) -> bool:
    """Add up what is dark where every direction weighs the same; whether anything is."""
    groups, words = masks.shape
    touched = False
    for w in range(words):
        count = np.uint64(0)
        for g in range(groups):
            count += _bits_of_bytes(masks[g, w])
        if count != 0:
            touched = True
            part = line[8 * w : 8 * w + 8]
            for b in range(8):
                part[b] = weight * np.float64((count >> np.uint64(8 * b)) & np.uint64(255))
    return touched


@compiled
def _bits_of_bytes(word: Word) -> Word:
    """Count the bits that are set in each byte."""
    word -= (word >> np.uint64(1)) & np.uint64(0x5555555555555555)
    pairs = np.uint64(0x3333333333333333)
    word = (word & pairs) + ((word >> np.uint64(2)) & pairs)
    return (word + (word >> np.uint64(4))) & np.uint64(0x0F0F0F0F0F0F0F0F)
