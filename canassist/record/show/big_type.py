"""Letters of blocks, large enough for a passenger in motion."""

from __future__ import annotations

from functools import cache
from typing import Final

ROWS: Final = 5
_GLYPHS: Final = {
    "A": ".#. #.# ### #.# #.#", "B": "##. #.# ##. #.# ##.", "C": ".## #.. #.. #.. .##",
    "D": "##. #.# #.# #.# ##.", "E": "### #.. ##. #.. ###", "F": "### #.. ##. #.. #..",
    "G": ".## #.. #.# #.# .##", "H": "#.# #.# ### #.# #.#", "I": "### .#. .#. .#. ###",
    "J": "..# ..# ..# #.# .#.", "K": "#.# #.# ##. #.# #.#", "L": "#.. #.. #.. #.. ###",
    "M": "#...# ##.## #.#.# #...# #...#", "N": "#..# ##.# #.## #..# #..#",
    "O": ".#. #.# #.# #.# .#.", "P": "##. #.# ##. #.. #..", "Q": ".##. #..# #..# #.## .###",
    "R": "##. #.# ##. #.# #.#", "S": ".## #.. .#. ..# ##.", "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###", "V": "#.# #.# #.# #.# .#.", "W": "#...# #...# #.#.# ##.## #...#",
    "X": "#.# #.# .#. #.# #.#", "Y": "#.# #.# .#. .#. .#.", "Z": "### ..# .#. #.. ###",
    "0": "### #.# #.# #.# ###", "1": ".#. ##. .#. .#. ###", "2": "##. ..# .#. #.. ###",
    "3": "##. ..# .#. ..# ##.", "4": "#.# #.# ### ..# ..#", "5": "### #.. ##. ..# ##.",
    "6": ".## #.. ### #.# ###", "7": "### ..# .#. .#. .#.", "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ##.", ":": ". # . # .", ".": ". . . . #", ",": ". . . # #",
    "-": "... ... ### ... ...", " ": ".. .. .. .. ..", "%": "#.# ..# .#. #.. #.#",
    "+": "... .#. ### .#. ...", "/": "..# ..# .#. #.. #..", "?": "##. ..# .#. ... .#.",
}  # fmt: skip


def big(text: str, width: int, *, scale: int = 1) -> list[str]:
    """Return rows of blocks that fit into a width; what does not fit is left out.

    Parameters
    ----------
    text : str
        Letters and figures; others become blanks.
    width : int
        Columns.
    scale : int
        Columns and rows of one block: 2 makes letters twice as large.
    """
    rows = [""] * ROWS
    for letter in text.upper():
        glyph = _glyph(letter)
        if scale * (len(rows[0]) + len(glyph[0]) + 1) > width:
            break
        rows = [row + part + "." for row, part in zip(rows, glyph, strict=True)]
    wide = ["".join(("█" if one == "#" else " ") * scale for one in row) for row in rows]
    return [row for row in wide for _ in range(scale)]


def width_of(text: str) -> int:
    """Return the columns that a text takes at scale 1."""
    return sum(len(_glyph(letter)[0]) + 1 for letter in text.upper())


@cache
def _glyph(letter: str) -> tuple[str, ...]:
    return tuple(_GLYPHS.get(letter, _GLYPHS[" "]).split(" "))
