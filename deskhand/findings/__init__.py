"""Findings: their kinds, how urgent they are, their sentences, and the first three things to do."""

from deskhand.findings.causes import causes_only, with_dismissals
from deskhand.findings.context import Context, has_nominal
from deskhand.findings.drifts import judge_drifts, with_trends
from deskhand.findings.faults.chain import chain as judge_chain
from deskhand.findings.faults.chain import covered as judge_voices
from deskhand.findings.faults.chain import is_covered
from deskhand.findings.faults.usual import as_usual, pairs_as_usual
from deskhand.findings.finding import Finding, Severity
from deskhand.findings.first import FirstThing, first_things, status_of, things_to_fix
from deskhand.findings.judge import joined, judge, judge_mix
from deskhand.findings.judgements import (
    judge_mistaken,
    judge_mix_loss,
    judge_normals,
    judge_reversed,
)
from deskhand.findings.kinds import KIND_NAMES, KINDS, KindName
from deskhand.findings.standalone.too_loud import seat_findings
from deskhand.findings.text import first_texts, fix_texts, say, short, with_live_advice, with_text

__all__ = [
    "KINDS",
    "KIND_NAMES",
    "Context",
    "Finding",
    "FirstThing",
    "KindName",
    "Severity",
    "as_usual",
    "causes_only",
    "first_texts",
    "first_things",
    "fix_texts",
    "has_nominal",
    "is_covered",
    "joined",
    "judge",
    "judge_chain",
    "judge_drifts",
    "judge_mistaken",
    "judge_mix",
    "judge_mix_loss",
    "judge_normals",
    "judge_reversed",
    "judge_voices",
    "pairs_as_usual",
    "say",
    "seat_findings",
    "short",
    "status_of",
    "things_to_fix",
    "with_dismissals",
    "with_live_advice",
    "with_text",
    "with_trends",
]
