"""The screen of a terminal while recording: what it shows, as lines; pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canassist.record.case_file import minutes
from canassist.record.log_annotations import MarkKind
from canassist.record.show.big_type import ROWS, big, width_of
from canassist.record.state import RowState

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canassist.record.state import Alarm, RecipeRow, RecordingState

NEVER: Final = "For a passenger. Never to be read while riding."
KEYS: Final = "[space] HEAVY NOW    [n] note    [q] end"
_SIGNS: Final = {RowState.DONE: "done", RowState.MISSING: "miss", RowState.IMPOSSIBLE: "n/a "}
_LARGE: Final = (150, 40)
"""From this many columns and rows on, big type is twice as large."""
_WIDE: Final = 150


@dataclass(frozen=True, slots=True)
class ScreenLine:
    """One line, and whether it stands out."""

    text: str
    strong: bool = False
    inverse: bool = False


def screen_lines(
    state: RecordingState, width: int, height: int, *, notice: str = "", writing: str | None = None
) -> list[ScreenLine]:
    """Return the lines of a screen, as many as it has at most, none wider than it is.

    Parameters
    ----------
    notice : str
        Answer to the last key, such as the moment that it noted; it takes the large type.
    writing : str or None
        The note that is being written.
    """
    scale = 2 if width >= _LARGE[0] and height >= _LARGE[1] else 1
    top = [ScreenLine(_ends(f"{state.name}  recording {minutes(state.log_s)}", NEVER, width))]
    top += [ScreenLine(row, strong=True) for row in _headline(state, width, scale, notice)]
    foot = [*_figures(state, width), ScreenLine(_key_line(writing), inverse=True)]
    warnings = [ScreenLine(part, inverse=True)
                for text in state.warnings for part in _folded(text, width)]  # fmt: skip
    room = height - len(top) - len(foot) - len(warnings) - 1
    middle = _middle(state, width, max(room, 0))
    lines = [*top, *warnings, *middle]
    lines += [ScreenLine("")] * max(height - len(lines) - len(foot), 0)
    lines = [*lines[: max(height - len(foot), 0)], *foot]
    return [ScreenLine(one.text[:width], one.strong, one.inverse) for one in lines[:height]]


def _headline(state: RecordingState, width: int, scale: int, notice: str) -> list[str]:
    """Return two lines of big type: what comes next, and how much of it."""
    first, second = notice_or_next(state, notice)
    rows: list[str] = []
    for text in (first, second):
        fits = scale if scale * width_of(text) <= width else 1
        if width_of(text) <= width:
            rows += [*big(text, width, scale=fits), ""]
        else:
            rows += [text.upper(), ""]
    rows = rows[: 2 * (ROWS * scale + 1)]
    row = state.next_row()
    if row is not None and not notice and not state.alert and state.frames:
        rows[-1] = row.how
    return rows


def notice_or_next(state: RecordingState, notice: str = "") -> tuple[str, str]:
    """Return the two lines that stand largest."""
    if notice:
        head, _, tail = notice.partition("|")
        return head, tail
    if state.alert:
        return _newest_alarm(state)
    if not state.frames:
        return "waiting", "for the bus"
    row = state.next_row()
    if row is not None:
        return row.name, amount(row)
    if state.watches_recipe and state.answer and state.answer.recipe:
        return "all ridden", "end when ready"
    return "recording", minutes(state.log_s)


def amount(row: RecipeRow) -> str:
    """Return how much of a row is missing."""
    if row.unit:
        return f"{max(round(row.left), 1)} {row.unit} more"
    return "to do"


def _newest_alarm(state: RecordingState) -> tuple[str, str]:
    alarms = state.answer.alarms if state.answer else ()
    if not alarms:
        return "quiet", "move the plug"
    newest = alarms[-1]
    return f"{newest.kind} {minutes(newest.at_s)}", f"{len(alarms)} in all"


def _middle(state: RecordingState, width: int, room: int) -> list[ScreenLine]:
    answer = state.answer
    if answer is None:
        return [ScreenLine("The recipe comes in a moment.")][:room]
    lines: list[ScreenLine] = []
    if answer.note:
        lines += [ScreenLine(part, inverse=True) for part in _folded(answer.note, width)]
    if state.alert:
        lines += [ScreenLine(alarm_text(one)) for one in answer.alarms[::-1][: room // 2]]
    lines += [ScreenLine(one) for one in _recipe(answer.recipe, width, room)]
    values = [f"{one.name} {one.text}{' ?' if one.doubt else ''}" for one in answer.channels]
    table = [ScreenLine(one) for one in _columns(values, width, 3 if width < _WIDE else 5)]
    if len(lines) + len(table) < room:
        lines.append(ScreenLine(""))
    lines += table
    return lines[:room]


def alarm_text(alarm: Alarm) -> str:
    """Return an alarm as one line."""
    lasted = "still" if alarm.lasted_s is None else f"{alarm.lasted_s * 1000:.0f} ms"
    value = f", down to {alarm.value}" if alarm.value else ""
    return f"{minutes(alarm.at_s)}  {alarm.kind}: {alarm.text}, {lasted}{value}"


def _recipe(rows: Sequence[RecipeRow], width: int, room: int) -> Iterator[str]:
    """Give the recipe: with how each part is ridden, where there is room for it."""
    cells = [_cell(one) for one in rows]
    if width >= _WIDE and len(rows) <= room // 2:
        longest = max((len(one) for one in cells), default=0)
        for cell, row in zip(cells, rows, strict=True):
            how = "" if row.state is RowState.DONE else row.how
            yield f"{cell.ljust(longest)}   {how}".rstrip()
    else:
        yield from _columns(cells, width, 2)


def _cell(row: RecipeRow) -> str:
    if row.state is RowState.IMPOSSIBLE:
        return f"{_SIGNS[row.state]} {row.name}"
    return (
        f"{_SIGNS[row.state]} {row.name} {row.ridden:.0f} of {row.needed:.0f} {row.unit}".rstrip()
    )


def _columns(cells: Sequence[str], width: int, number: int) -> Iterator[str]:
    """Lay cells out in columns, each column from top to bottom."""
    each = width // number
    rows = -(-len(cells) // number)
    for row in range(rows):
        line = (cell[: each - 1].ljust(each) for cell in cells[row::rows])
        yield "".join(line).rstrip()


def _figures(state: RecordingState, width: int) -> list[ScreenLine]:
    room = "" if state.room_bytes is None else f"   room {state.room_bytes / 1e9:.1f} GB"
    heavy = [one for one in state.marks if one.kind is MarkKind.HEAVY]
    marked = f"   marks {len(heavy)}" + (f", last {minutes(heavy[-1].at_s)}" if heavy else "")
    head = f"frames {state.frames}   LOST {state.lost}   errors {state.errors}{room}{marked}"
    lines = [ScreenLine(head, strong=True)]
    cells = []
    for one in state.buses:
        load = "" if one.load is None else f", load {one.load * 100:.0f} %"
        gone = "" if one.absent_s is None else f", GONE {one.absent_s:.0f} s"
        cells.append(f"{one.name} {one.rate:.0f}/s{load}, errors {one.errors}{gone}")
    lines += [ScreenLine(one) for one in _columns(cells, width, 2)]
    return lines


def _key_line(writing: str | None) -> str:
    return KEYS if writing is None else f"note: {writing}_   [Enter] keeps it"


def _ends(left: str, right: str, width: int) -> str:
    gap = width - len(left) - len(right)
    return f"{left}{' ' * gap}{right}" if gap > 0 else f"{left} {right}"[:width]


def _folded(text: str, width: int) -> list[str]:
    """Break a text at blanks."""
    rows, row = [], ""
    for word in text.split():
        if row and len(row) + 1 + len(word) > width:
            rows.append(row)
            row = word
        else:
            row = f"{row} {word}".strip()
    return [*rows, row] if row else rows
