"""Terms on which a show with faults is kept: with them, or without the sources at fault."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.baseline.kept import MIX
from deskhand.errors import UsageError
from deskhand.findings import KINDS
from deskhand.house import ROLES
from deskhand.recording.names import dated, key
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from deskhand.findings import Finding
    from deskhand.result import CheckResult
    from deskhand.store import KeptPart

_MIX_STAGES = ("mix", "feed")
"""Stages at which the sources of the mix are read together."""


class FaultyShowError(UsageError):
    """A show that is not kept, since something is wrong in it and nobody said to keep it all the same.

    Parameters
    ----------
    show : str
        Name of the show, for people.
    faults : sequence of (source, Finding)
    """

    def __init__(self, show: str, faults: Sequence[tuple[str, Finding]]) -> None:
        sources = list(dict.fromkeys(source for source, _ in faults))
        without = " ".join(f'--without "{source}"' if " " in source else f"--without {source}" for source in sources)
        super().__init__(
            show,
            f"is not kept: something is wrong at {', '.join(sources)}",
            f"leave out what is at fault with {without}, or keep all of it with --with-faults",
        )
        self.faults = tuple(faults)


def faults_of(result: CheckResult) -> list[tuple[str, Finding]]:
    """Sources, or the mix, and their serious findings: those that the take holds, whoever has put them right since.

    Parameters
    ----------
    result : CheckResult
    """
    findings = [(source.name, finding) for source in result.sources for finding in source.findings]
    findings += [(MIX, finding) for finding in (result.mix.findings if result.mix else ())]
    return [(name, finding) for name, finding in findings if _is_serious(finding)]


def _is_serious(finding: Finding) -> bool:
    """True where a take with this finding is no good one; what was put right by a level is no fault of the take."""
    kind = KINDS[finding.kind]
    done = finding.dismissed == "done" and kind.tier == "fault" and kind.answered_by not in ("level", "preamp")
    return finding.severity == "fix" or done


def require_terms(result: CheckResult, *, without: Collection[str], with_faults: bool) -> list[tuple[str, Finding]]:
    """Serious findings with which a show is kept.

    Parameters
    ----------
    result : CheckResult
    without : collection of str
        Sources that are left out.
    with_faults : bool
        Keep it whatever is wrong in it.

    Raises
    ------
    FaultyShowError
        There are some, and nobody said to keep them.
    """
    left_out = {key(name) for name in without}
    faults = [(source, finding) for source, finding in faults_of(result) if key(source) not in left_out]
    if faults and not with_faults:
        raise FaultyShowError(dated(result.show.name, result.show.date), faults)
    return faults


def parts_without(result: CheckResult, parts: Sequence[KeptPart], without: Collection[str]) -> list[KeptPart]:
    """Parts of a take without those of some sources, and without the mix and the voices in it where one of them is in it.

    Parameters
    ----------
    result : CheckResult
    parts : sequence of KeptPart
    without : collection of str
        Sources, or the mix.
    """
    left_out = {key(name) for name in without}
    in_mix = any(key(source.name) in left_out and ROLES[source.role].in_a_mix for source in result.sources)
    return [part for part in parts if key(part.source) not in left_out and not (in_mix and part.stage in _MIX_STAGES)]


def house_names(result: CheckResult, names: Collection[str]) -> tuple[str, ...]:
    """Sources, or the mix, as the house calls them, of those that somebody named."""
    wanted = {key(name) for name in names}
    return tuple(name for name in (*(source.name for source in result.sources), MIX) if key(name) in wanted)


def left_out_text(names: Collection[str], *, mix_too: bool) -> str:
    """Line on what is left out of what the house learns; empty for nothing.

    Parameters
    ----------
    names : collection of str
    mix_too : bool
        Whether readings of the mix and of the voices in it are left out as well.
    """
    if not names:
        return ""
    entry = "Left out of what is learned: {names}."
    if mix_too:
        entry = "Left out of what is learned: {names}, and with it the mix and the voices in it."
    return phrase(entry, names=", ".join(names))
