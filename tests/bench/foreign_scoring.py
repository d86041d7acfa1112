"""Answers held against the truths of the foreign rides; counting only."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

NO_BLAME = frozenset(
    {"no_fault_found", "thermal_protection", "duty_protection", "mechanical_load", "inconclusive"}
)
FIRM = ("strong", "moderate")


@dataclass(frozen=True, slots=True, kw_only=True)
class SaidConclusion:
    """One conclusion as the tool gave it; an empty strength or role was not given."""

    code: str
    rank: int
    strength: str
    role: str
    explains: float | None

    @property
    def blames(self) -> bool:
        """Whether it blames a part."""
        return self.code not in NO_BLAME


@dataclass(frozen=True, slots=True, kw_only=True)
class RideRow:
    """One ride: the truth file, what the tool said, its events, its error.

    ``breaches`` are the sentences that their own figures contradict.
    """

    truth: dict[str, Any]
    said: tuple[SaidConclusion, ...]
    events: list[tuple[str, str, float, float | None]]
    breaches: list[str]
    error: str
    seconds: float

    @property
    def first(self) -> SaidConclusion | None:
        """The first answer."""
        return min(self.said, key=lambda item: item.rank, default=None)

    @property
    def first_code(self) -> str:
        """The first answer's code, or that there was none."""
        return self.first.code if self.first else f"({self.error or 'nothing said'})"

    @property
    def first_right(self) -> bool:
        """Whether the first answer is right."""
        return self.first_code in self.truth["answers"]

    @property
    def first_wrong(self) -> bool:
        """Whether the first answer is neither right nor an open "cannot tell"."""
        return not self.first_right and self.first_code != "inconclusive"

    def claims(self, strength: str) -> list[bool]:
        """Return, of all that was said with this strength, what was right."""
        return [
            item.code in self.truth["true_codes"]
            for item in self.said
            if item.strength == strength and item.code != "inconclusive"
            and (item.blames or item.rank == 1)
        ]  # fmt: skip

    def wrong_blames(self) -> list[SaidConclusion]:
        """Return the blames at moderate or more that are not true."""
        return [
            item for item in self.said
            if item.blames and item.strength in FIRM and item.code not in self.truth["true_codes"]
        ]  # fmt: skip

    def says(self, code: str, strengths: Sequence[str]) -> bool:
        """Whether a conclusion of this code has one of these strengths."""
        return any(item.code == code and item.strength in strengths for item in self.said)


def wilson(hits: int, total: int) -> tuple[float, float]:
    """Return the 95 % interval of a share by Wilson's method."""
    if not total:
        return 0.0, 1.0
    z = 1.959963984540054
    share, slack = hits / total, z * z / total
    middle = (share + slack / 2) / (1 + slack)
    half = z * math.sqrt(share * (1 - share) / total + slack / (4 * total)) / (1 + slack)
    return max(0.0, middle - half), min(1.0, middle + half)


def share_line(text: str, hits: Iterable[bool], target: str) -> str:
    """Return one line: share, interval, counts, target."""
    known = list(hits)
    low, high = wilson(sum(known), len(known))
    share = f"{sum(known) / len(known):6.1%}" if known else "     -"
    counts = f"{sum(known):5d} of {len(known):5d}"
    return f"{text:58s} {share}  [{low:6.1%}, {high:6.1%}]  {counts}   {target}"


def _headline(rows: Sequence[RideRow]) -> list[str]:
    truths = [(row, row.truth) for row in rows]
    coded = [row for row, truth in truths if truth["internal_code"] and truth["tells_strongly"]]
    silent = [row for row, truth in truths
              if truth["situation"] == "fault_silent" and truth["clear_loss"]]  # fmt: skip
    lines = [
        share_line(f"said {strength}: right",
                   [hit for row in rows for hit in row.claims(strength)], target)
        for strength, target in (("strong", ">= 98 %"), ("moderate", ">= 90 %"), ("weak", ""))
    ]  # fmt: skip
    lines += [
        share_line("strong and right, of rides whose log tells strongly",
                   [row.first_right and bool(row.first) and row.first.strength == "strong"
                    for row, truth in truths if truth["tells_strongly"]], ">= 60 %"),
        share_line("module fault with a code or status: strong",
                   [row.says("module_suspect", ("strong",)) for row in coded], ">= 95 %"),
        share_line("module fault without one: named",
                   [row.says("module_suspect", ("strong", "moderate", "weak"))
                    for row in silent], ">= 70 %"),
        share_line("first answer right or inconclusive",
                   [not row.first_wrong for row in rows], ">= 95 %"),
        share_line("first answer right", [row.first_right for row in rows], ""),
        share_line("inconclusive, of rides whose log tells",
                   [row.first_code == "inconclusive" and not row.first_right
                    for row, truth in truths if truth["tells"]], "<= 10 %"),
    ]  # fmt: skip
    weak_first = [row for row in rows if row.first and row.first.blames
                  and row.first.strength == "weak"]  # fmt: skip
    return [*lines, f"{'a weak blame first':58s} {len(weak_first):6d}   target 0"]


def _accused(rows: Sequence[RideRow]) -> list[str]:
    accused = [row for row in rows if row.truth["module_sound"] is True
               and row.says("module_suspect", FIRM)]  # fmt: skip
    sound = sum(row.truth["module_sound"] is True for row in rows)
    lines = [
        f"{'module_suspect moderate or more on a sound module':58s} {len(accused):6d}   target 0, "
        f"of {sound}"
    ]
    return lines + [f"    {row.truth['name']}" for row in accused[:40]]


def _by(rows: Sequence[RideRow], field: str) -> list[str]:
    lines = [f"\nby {field}: rides, first wrong, inconclusive though the log tells, wrong blames"]
    for name in sorted({row.truth[field] for row in rows}):
        group = [row for row in rows if row.truth[field] == name]
        wrong = [row for row in group if row.first_wrong]
        shy = [row for row in group if row.truth["tells"] and not row.first_right
               and row.first_code == "inconclusive"]  # fmt: skip
        blames = [item for row in group for item in row.wrong_blames()]
        said = Counter(row.first_code[:40] for row in wrong)
        said.update(f"{item.code}/{item.strength}" for item in blames)
        told = ", ".join(f"{code} x{count}" for code, count in said.most_common(6))
        lines.append(
            f"  {name:24s} {len(group):4d} {len(wrong):4d} {len(shy):4d} {len(blames):4d}  {told}"
        )
    return lines


def causes_named(rows: Sequence[RideRow]) -> dict[str, Counter[str]]:
    """Return, for each cause of a planted derate, what the tool said of it."""
    named: dict[str, Counter[str]] = {}
    for row in rows:
        origin_s = row.truth["log_start_s"]
        told = [event for event in row.events if event[0] == "derate"]
        for planted in row.truth["events"]:
            if planted["kind"] != "derate":
                continue
            start_s, end_s = planted["start_s"] - origin_s, planted["end_s"] - origin_s
            over = [event for event in told if event[2] < end_s
                    and (event[3] is None or event[3] > start_s)]  # fmt: skip
            nearest = min(over, key=lambda event: abs(event[2] - start_s), default=None)
            said = "(not found)" if nearest is None else nearest[1] or "null"
            named.setdefault(str(planted["cause"]), Counter())[said] += 1
    return named


def _causes(rows: Sequence[RideRow]) -> list[str]:
    lines = ["\nplanted derates by cause, and the cause that was said"]
    for cause, said in sorted(causes_named(rows).items()):
        told = ", ".join(f"{word} x{count}" for word, count in said.most_common(6))
        lines.append(f"  {cause:16s} {said.total():5d}   {told}")
    return lines


def table(rows: Sequence[RideRow]) -> str:
    """Return the bench's table for one variant."""
    if not rows:
        return "no rides"
    failed = [row for row in rows if row.error]
    lines = _headline(rows) + _accused(rows)
    against = [text for row in rows for text in row.breaches]
    lines.append(
        f"{'sentences that their own figures contradict':58s} {len(against):6d}   target 0"
    )
    lines += [f"    {text[:120]}" for text in against[:5]]
    lines.append(f"{'errors of the tool':58s} {len(failed):6d}   target 0")
    lines += [f"    {row.truth['name']}: {row.error[:120]}" for row in failed[:5]]
    for field in ("law", "situation", "vehicle"):
        lines += _by(rows, field)
    lines += _causes(rows)
    return "\n".join(lines)
