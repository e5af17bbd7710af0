"""Compiled parser of rows of numbers, eight bytes at a time.

A decimal number is the integer of its digits and a power of ten (Clinger 1990, ACM SIGPLAN Notices
25(6):92-101): exact for up to 15 digits and powers up to 22, within a few units in the last place beyond.
Eight bytes are taken as one word: which of them are digits, and the integer that eight digits make, follow
from a few operations on the word (Lamport 1975, Commun. ACM 18:471-475, on several bytes in a word).
"""

import numba
import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba.core import types
from numba.extending import intrinsic

LARGEST = np.uint64(10**17)
"""Of the integer of a number's digits before the next digit; later ones are dropped."""

LARGEST_BLOCK = np.uint64(10**9)
"""Of the integer of a number's digits before eight further ones are added in one step."""

LONGEST_STEP = 16
"""Bytes that one step may look at; nearer to the end of the data, bytes are looked at one by one."""

POWERS = 10.0 ** np.arange(23)
TENS = 10 ** np.arange(9, dtype=np.uint64)

BREAKS = np.zeros(256, dtype=np.bool_)
"""Which bytes divide numbers: blanks, commas, brackets of any kind."""
BREAKS[[ord(sign) for sign in " \t\r()[],"]] = True

_HIGH = np.uint64(0x8080808080808080)
_ZEROS = np.uint64(0x3030303030303030)
_SIXES = np.uint64(0x0606060606060606)
_NIBBLES = np.uint64(0xF0F0F0F0F0F0F0F0)
_BELOW_MINUS = np.uint64(0x2D2D2D2D2D2D2D2D)
_PLUS = np.uint64(0x2B2B2B2B2B2B2B2B)
_BLANKS = np.uint64(0x2020202020202020)
_LINE_ENDS = np.uint64(0x0A0A0A0A0A0A0A0A)
_ONES = np.uint64(0x0101010101010101)


@intrinsic
def _word(_typing, array, place):  # type: ignore[no-untyped-def]
    """Eight bytes of an array from a place on as a number, the first byte the lowest."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        data = context.make_array(signature.args[0])(context, builder, arguments[0]).data
        start = builder.gep(data, [arguments[1]])
        word = builder.load(builder.bitcast(start, ir.IntType(64).as_pointer()))
        word.align = 1
        return word

    return types.uint64(array, place), generate


@intrinsic
def _trailing_zeros(_typing, word):  # type: ignore[no-untyped-def]
    """Zero bits below the lowest one of a word that is not 0."""

    def generate(_context, builder, _signature, arguments):  # type: ignore[no-untyped-def]
        return builder.cttz(arguments[0], ir.Constant(ir.IntType(1), 1))

    return types.uint64(types.uint64), generate


@numba.njit(cache=True, nogil=True)
def count_lines(data, begin, end):  # type: ignore[no-untyped-def]
    """Count the line ends between two places."""
    count, place = 0, begin
    while place + 8 <= end:
        other = _word(data, place) ^ _LINE_ENDS
        # The lowest bit of every byte that is 0, exactly; their sum is the highest byte of the product.
        same = ~(((other & ~_HIGH) + ~_HIGH) | other) & _HIGH
        count += np.int64(((same >> np.uint64(7)) * _ONES) >> np.uint64(56))
        place += 8
    while place < end:
        count += data[place] == 10
        place += 1
    return count


@numba.njit(inline="always")
def _eight_digits(word):  # type: ignore[no-untyped-def]
    """Integer of eight digits, each a byte of value 0 to 9, the first the lowest."""
    pairs = word * np.uint64(10) + (word >> np.uint64(8))
    low = (pairs & np.uint64(0x000000FF000000FF)) * np.uint64(0x000F424000000064)
    high = ((pairs >> np.uint64(16)) & np.uint64(0x000000FF000000FF)) * np.uint64(0x0000271000000001)
    return (low + high) >> np.uint64(32)


@numba.njit(inline="always")
def _not_digits(word):  # type: ignore[no-untyped-def]
    """Word in which some bit of every byte is set that is no digit."""
    return ((word & _NIBBLES) ^ _ZEROS) | (((word + _SIXES) & _NIBBLES) ^ _ZEROS)


@numba.njit(inline="always")
def _break_bytes(word):  # type: ignore[no-untyped-def]
    """Word with the highest bit of every byte set that is below the minus sign and no plus; ASCII only."""
    return ~((word | _HIGH) - _BELOW_MINUS) & (((word ^ _PLUS) | _HIGH) - _ONES) & _HIGH


@numba.njit(inline="always")
def _skip_number(data, place, limit, breaks):  # type: ignore[no-untyped-def]
    """Place of the first byte from `place` on that divides numbers or ends the line."""
    while place < limit:
        word = _word(data, place)
        if word & _HIGH:
            break
        found = _break_bytes(word)
        if found:
            place += np.int64(_trailing_zeros(found) >> np.uint64(3))
            break
        place += 8
    while not (breaks[data[np.uint64(place)]] or data[np.uint64(place)] == 10):
        place += 1
    return place


@numba.njit(inline="always")
def _skip_line(data, place, limit, breaks):  # type: ignore[no-untyped-def]
    """Place of the line's end from `place` on, and how many numbers begin before it."""
    count, before = 0, np.uint64(0x80)
    while place < limit:
        word = _word(data, place)
        other = word ^ _LINE_ENDS
        ends = ~(((other & ~_HIGH) + ~_HIGH) | other) & _HIGH
        if ends or word & _HIGH:
            break
        found = _break_bytes(word)
        # A number begins where a byte is none that divides numbers and the one before it is.
        begins = ~found & ((found << np.uint64(8)) | before) & _HIGH
        count += np.int64(((begins >> np.uint64(7)) * _ONES) >> np.uint64(56))
        before = found >> np.uint64(56)
        place += 8
    divided = before != 0
    while data[np.uint64(place)] != 10:
        divides = breaks[data[np.uint64(place)]]
        count += divided and not divides
        divided = divides
        place += 1
    return place, count


@numba.njit(cache=True, nogil=True, error_model="numpy")
def parse(data, begin, end, columns, rows_of, first, powers, tens, breaks):  # type: ignore[no-untyped-def]
    """Parse whole lines into columns from row `first` on; return their number and the place of a broken line.

    Parameters
    ----------
    data : ndarray of uint8
        The file; data[end - 1] ends a line.
    begin, end : int
        Where the lines to be parsed begin and end.
    columns : ndarray, shape (kept, rows)
        Where the numbers go.
    rows_of : ndarray of int, shape (width,)
        Row of `columns` for each number of a line; -1 for those that are passed over.
    first : int
        Column of `columns` for the first line.
    powers, tens, breaks : ndarray
        `POWERS`, `TENS` and `BREAKS`.

    Returns
    -------
    count, broken : int
        Lines parsed; where the first line begins that is not `width` numbers, -1 without one.
    """
    width = len(rows_of)
    limit = len(data) - LONGEST_STEP
    last = width - 1
    while rows_of[last] < 0:
        last -= 1
    row, place = first, begin
    while place < end:
        line = place
        column = 0
        comment = False
        while True:
            c = data[np.uint64(place)]
            if c == 10:
                break
            if breaks[c]:
                place += 1
                while place < limit and _word(data, place) == _BLANKS:
                    place += 8
                continue
            if c == 35 and column == 0:
                comment = True
                while data[np.uint64(place)] != 10:
                    place += 1
                break
            if last < column < width:
                place, count = _skip_line(data, place, limit, breaks)
                column += count
                break
            if column < width and rows_of[column] < 0:
                place = _skip_number(data, place, limit, breaks)
                column += 1
                continue
            negative = c == 45
            if c == 45 or c == 43:
                place += 1
            exponent, mantissa, seen, point = 0, np.uint64(0), False, False
            while True:
                c = data[np.uint64(place)]
                digit = np.uint8(c - np.uint8(48))
                if digit < 10:
                    seen = True
                    if point and mantissa < LARGEST_BLOCK and place < limit:
                        # As many digits behind the point as there are in the next eight bytes.
                        word = _word(data, place)
                        others = _not_digits(word)
                        some = np.uint64(8)
                        if others:
                            some = _trailing_zeros(others) >> np.uint64(3)
                        # Shifted up, they have zeros in front of them.
                        digits = (word - _ZEROS) << (np.uint64(8) * (np.uint64(8) - some))
                        mantissa = mantissa * tens[some] + _eight_digits(digits)
                        exponent -= np.int64(some)
                        place += np.int64(some)
                        continue
                    if mantissa < LARGEST:
                        mantissa = mantissa * np.uint64(10) + np.uint64(digit)
                        exponent -= point
                    else:
                        exponent += not point
                elif c == 46 and not point:
                    point = True
                else:
                    break
                place += 1
            value = float(mantissa)
            if not seen:
                # nan and inf, in small or capital letters, are all that may stand here.
                a, b, d = data[place] | 32, data[place + 1] | 32, 0
                if b != 42:
                    d = data[place + 2] | 32
                if a == 110 and b == 97 and d == 110:
                    value = np.nan
                elif a == 105 and b == 110 and d == 102:
                    value = np.inf
                else:
                    return row - first, line
                place += 3
            else:
                c = data[np.uint64(place)]
                if c == 101 or c == 69:
                    place += 1
                    c = data[np.uint64(place)]
                    below = c == 45
                    if below or c == 43:
                        place += 1
                    power, given = 0, False
                    while True:
                        digit = np.uint8(data[np.uint64(place)] - np.uint8(48))
                        if digit >= 10:
                            break
                        power = min(power * 10 + np.int64(digit), 9999)
                        given = True
                        place += 1
                    if not given:
                        return row - first, line
                    exponent += -power if below else power
                while exponent > 0 and value != 0.0 and value != np.inf:
                    step = min(exponent, 22)
                    value *= powers[step]
                    exponent -= step
                while exponent < 0 and value != 0.0:
                    step = min(-exponent, 22)
                    value /= powers[step]
                    exponent += step
            c = data[np.uint64(place)]
            if not (breaks[c] or c == 10) or column == width:
                return row - first, line
            columns[rows_of[column], row] = -value if negative else value
            column += 1
        place += 1
        if column == width:
            row += 1
        elif column or not (comment or _blank(data, line, place)):
            return row - first, line
    return row - first, -1


@numba.njit(cache=True, nogil=True)
def _blank(data, begin, end):  # type: ignore[no-untyped-def]
    for place in range(begin, end):
        if data[place] not in (10, 32, 9, 13):
            return False
    return True
