"""What is worth saying: findings, their severity, and the first three things to do."""

from deskhand.findings.causes import causes_only, silenced
from deskhand.findings.finding import KINDS, Finding, Kind, Severity
from deskhand.findings.first import FirstThing, first_things, status_of
from deskhand.findings.judge import Judged, has_nominal, judge, judge_chains, judge_voices
from deskhand.findings.normal import (
    NOT_JUDGED,
    judge_drifts,
    judge_mistaken,
    judge_mix,
    judge_normals,
    judge_upside_down,
)

__all__ = [
    "KINDS",
    "NOT_JUDGED",
    "Finding",
    "FirstThing",
    "Judged",
    "Kind",
    "Severity",
    "causes_only",
    "first_things",
    "has_nominal",
    "judge",
    "judge_chains",
    "judge_drifts",
    "judge_mistaken",
    "judge_mix",
    "judge_normals",
    "judge_upside_down",
    "judge_voices",
    "silenced",
    "status_of",
]
