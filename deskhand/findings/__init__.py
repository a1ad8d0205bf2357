"""What is worth saying: findings, their severity, and the first three things to do."""

from deskhand.findings.finding import KINDS, Finding, Kind, Severity
from deskhand.findings.first import FirstThing, first_things, status_of
from deskhand.findings.judge import Judged, has_nominal, judge, judge_chains, judge_voices

__all__ = [
    "KINDS",
    "Finding",
    "FirstThing",
    "Judged",
    "Kind",
    "Severity",
    "first_things",
    "has_nominal",
    "judge",
    "judge_chains",
    "judge_voices",
    "status_of",
]
