"""Desks as engineers label them (`tests/reference/track_names.toml`), read by `deskhand new` and counted."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from deskhand.recording.names import clean_name
from deskhand.tasks.new import propose_house
from tests.support.tables import topic

if TYPE_CHECKING:
    from collections.abc import Sequence

Verdict = Literal["right", "wrong", "asked"]
MIX = "mix"


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelledDesk:
    """Inputs of one desk with the role each has, and the pairs among them."""

    language: str
    habit: str
    half: str
    inputs: tuple[tuple[str, tuple[str, ...]], ...]
    """(label, roles that are right)."""
    pairs: frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskVerdict:
    """Answers for one desk."""

    inputs: tuple[tuple[str, tuple[str, ...], str, Verdict], ...]
    """(label, right roles, role that was given, verdict)."""
    pairs_right: int
    pairs_missed: list[tuple[str, str]] = field(default_factory=list)
    pairs_wrong: list[tuple[str, str]] = field(default_factory=list)

    def count(self, verdict: Verdict) -> int:
        """Inputs with a verdict."""
        return sum(given == verdict for *_, given in self.inputs)


def labelled_desks(table: str = "track_names") -> list[LabelledDesk]:
    """Desks of a table of `tests/reference`."""
    return [
        LabelledDesk(
            language=row["language"],
            habit=row["habit"],
            half=row["half"],
            inputs=tuple((label, tuple(roles.split(" / "))) for label, roles in row["inputs"]),
            pairs=frozenset((left, right) for left, right in row.get("pairs", [])),
        )
        for row in topic(table)["desk"]
    ]


def verdict_on(desk: LabelledDesk) -> DeskVerdict:
    """Roles and pairs that `new` gives a desk's inputs, held against the right ones."""
    names = [clean_name(label) or label for label, _ in desk.inputs]
    proposal = propose_house(names, name="Tern Street Hall")
    given: dict[str | int, str] = dict.fromkeys(proposal.house.desk.mix, MIX)
    asked: set[str | int] = set()
    for source in proposal.house.source:
        given.update(dict.fromkeys(source.tracks, source.role))
        if source.name in proposal.asked:
            asked.update(source.tracks)
    inputs = []
    for (label, roles), name in zip(desk.inputs, names, strict=True):
        verdict: Verdict = "asked" if name in asked else "right" if given[name] in roles else "wrong"
        inputs.append((label, roles, given[name], verdict))
    # a mix is no source, and has no pair
    wanted = {(clean_name(left), clean_name(right)) for left, right in desk.pairs if given[clean_name(left)] != MIX}
    paired = {
        (str(source.tracks[0]), str(source.tracks[1])) for source in proposal.house.source if len(source.tracks) == 2
    }
    return DeskVerdict(
        inputs=tuple(inputs),
        pairs_right=len(wanted & paired),
        pairs_missed=sorted(wanted - paired),
        pairs_wrong=sorted(paired - wanted),
    )


def share_pct(verdicts: Sequence[DeskVerdict], verdict: Verdict) -> float:
    """Share of the inputs of several desks with a verdict, in per cent."""
    return 100.0 * sum(each.count(verdict) for each in verdicts) / sum(len(each.inputs) for each in verdicts)
