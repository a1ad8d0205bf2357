"""The tables of the history; `migrations/` makes them and changes them."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Column, Double, ForeignKey, Integer, LargeBinary, MetaData, String, Table, Text, UniqueConstraint

METADATA: Final = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

TAKE: Final = Table(
    "take",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("house", Text, nullable=False),
    Column("show", Text, nullable=False),
    Column("date", String(10)),
    Column("phase", String(16), nullable=False),
    Column("duration_s", Double, nullable=False),
    Column("sample_rate_hz", Integer, nullable=False),
    Column("recording", Text, nullable=False),
    Column("house_hash", String(64), nullable=False),
    Column("deskhand", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("kept_by", Text, nullable=False),
    Column("kept_at", String(32), nullable=False),
    Column("forgotten_by", Text),
    Column("forgotten_at", String(32)),
    Column("start_s", Double),
    Column("digest", String(64)),
    Column("left_out", Text, nullable=False, server_default="[]"),
    Column("faults", Text, nullable=False, server_default="[]"),
    Column("measured_at", String(32)),
    Column("replaced_by", Integer),
    Column("restored_by", Text),
    Column("restored_at", String(32)),
    comment="A take that was kept. Nothing is deleted: what is forgotten says by whom and when.",
)

PART: Final = Table(
    "part",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("take_id", Integer, ForeignKey(TAKE.c.id), nullable=False),
    Column("source", Text, nullable=False, index=True),
    Column("stage", String(8), nullable=False),
    Column("sound", Integer, nullable=False),
    Column("role", String(24), nullable=False),
    Column("player", Text),
    Column("tap", String(16), nullable=False),
    Column("chain", String(64)),
    Column("playing_s", Double, nullable=False),
    UniqueConstraint("take_id", "source", "stage", "sound"),
    # and its turn in a line check: what stands in the databases stays as the first version wrote it
    comment="What was read of a source at a place: tap, after, one of its sounds (from 1), the feed, or the mix.",
)

VALUE: Final = Table(
    "value",
    METADATA,
    Column("part_id", Integer, ForeignKey(PART.c.id), primary_key=True),
    Column("metric", String(48), primary_key=True),
    Column("value", Double, nullable=False),
    Column("pm", Double),
    Column("version", Integer, nullable=False, server_default="1"),
    sqlite_with_rowid=False,
    comment="One number, by the name it has in the result; a band after a dot (tone_db.1000).",
)

FINGERPRINT: Final = Table(
    "fingerprint",
    METADATA,
    Column("take_id", Integer, ForeignKey(TAKE.c.id), primary_key=True),
    Column("packed", LargeBinary, nullable=False),
    Column("songs", Text, nullable=False, server_default="[]"),
    Column("tones", LargeBinary),
    comment="Chroma of a kept take's band and voices, packed, and where its songs begin.",
)

DISMISSAL: Final = Table(
    "dismissal",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("house", Text, nullable=False),
    Column("source", Text, nullable=False),
    Column("kind", String(24), nullable=False),
    Column("metric", String(48)),
    Column("show", Text, nullable=False),
    Column("date", String(10)),
    Column("for_good", Integer, nullable=False),
    Column("measured", Double),
    Column("part_values", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("said_by", Text, nullable=False),
    Column("said_at", String(32), nullable=False),
    Column("taken_back_at", String(32)),
    Column("version", Integer, nullable=False, server_default="1"),
    comment="A finding that a person does not want to hear of: in one show, or for good.",
)

BLIND_TEST: Final = Table(
    "blind_test",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("house", Text, nullable=False),
    Column("show", Text, nullable=False),
    Column("date", String(10)),
    Column("source", Text, nullable=False),
    Column("compared", Text, nullable=False),
    Column("trials", Integer, nullable=False),
    Column("right", Integer, nullable=False),
    Column("p_value", Double, nullable=False),
    Column("said_by", Text, nullable=False),
    Column("said_at", String(32), nullable=False),
    Column("note", Text, nullable=False),
    Column("answered", Integer),
    Column("earlier", Integer, nullable=False, server_default="0"),
    comment="A blind listening test: what against what, how many trials were told right, and by whom.",
)

DESK_CHANGE: Final = Table(
    "desk_change",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("house", Text, nullable=False),
    Column("show", Text, nullable=False),
    Column("date", String(10)),
    Column("take", String(64), nullable=False),
    Column("source", Text, nullable=False),
    Column("move", Text, nullable=False),
    Column("place", String(16), nullable=False),
    Column("block", String(24)),
    Column("side", String(8), nullable=False),
    Column("settings", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("findings", Text, nullable=False),
    Column("level_dbfs", Double),
    Column("done", Integer, nullable=False),
    Column("said_by", Text, nullable=False),
    Column("said_at", String(32), nullable=False),
    Column("taken_back_at", String(32)),
    comment="A move that a person did or declined, and the take in which it was asked for.",
)

SEAT_RECORD: Final = Table(
    "seat_record",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("house", Text, nullable=False),
    Column("seat", Text, nullable=False),
    Column("microphone", Text, nullable=False),
    Column("kind", String(16), nullable=False),
    Column("measured_at", String(32), nullable=False),
    Column("take_id", Integer, ForeignKey(TAKE.c.id), index=True),
    Column("version", Integer, nullable=False, server_default="1"),
    Column("content", Text, nullable=False),
    comment="What was measured at a seat: a calibration, levels, a response, background noise, the room; JSON.",
)

HANDOVER: Final = Table(
    "handover",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("house", Text, nullable=False),
    Column("date", String(10)),
    Column("source", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("is_job", Integer, nullable=False),
    Column("said_by", Text, nullable=False),
    Column("said_at", String(32), nullable=False),
    Column("done_by", Text),
    Column("done_at", String(32)),
    Column("taken_back_at", String(32)),
    comment="A note or a job that somebody left for the next evening. Nothing is deleted.",
)
