"""The tables of the history; `migrations/` makes them and changes them."""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from deskhand.store.people import PersonName, PlayerName, TextWithNames

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
    Column("recording", TextWithNames, nullable=False),
    Column("house_hash", String(64), nullable=False),
    Column("deskhand", Text, nullable=False),
    Column("note", TextWithNames, nullable=False),
    Column("kept_by", PersonName, nullable=False),
    Column("kept_at", String(32), nullable=False),
    Column("forgotten_by", PersonName),
    Column("forgotten_at", String(32)),
    Column("start_s", Double),
    Column("digest", String(64)),
    Column("left_out", Text, nullable=False, server_default="[]"),
    Column("faults", Text, nullable=False, server_default="[]"),
    Column("measured_at", String(32)),
    Column("replaced_by", Integer),
    Column("restored_by", PersonName),
    Column("restored_at", String(32)),
    Column("room", Text, nullable=False, server_default=text("''")),
    Column("desk", Text, nullable=False, server_default=text("''")),
    # every question over years begins with a house and a stretch of days
    Index("ix_take_house_date", "house", "date"),
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
    Column("player", PlayerName),
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
    Column("note", TextWithNames, nullable=False),
    Column("said_by", PersonName, nullable=False),
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
    Column("said_by", PersonName, nullable=False),
    Column("said_at", String(32), nullable=False),
    Column("note", TextWithNames, nullable=False),
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
    Column("text", TextWithNames, nullable=False),
    Column("findings", Text, nullable=False),
    Column("level_dbfs", Double),
    Column("done", Integer, nullable=False),
    Column("said_by", PersonName, nullable=False),
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
    Column("text", TextWithNames, nullable=False),
    Column("is_job", Integer, nullable=False),
    Column("said_by", PersonName, nullable=False),
    Column("said_at", String(32), nullable=False),
    Column("done_by", PersonName),
    Column("done_at", String(32)),
    Column("taken_back_at", String(32)),
    comment="A note or a job that somebody left for the next evening. Nothing is deleted.",
)

MONTH_READING: Final = Table(
    "month_reading",
    METADATA,
    # a question over all houses is about one reading in one phase: its rows lie together
    Column("metric", String(48), primary_key=True),
    Column("phase", String(16), primary_key=True),
    Column("house", Text, primary_key=True),
    Column("room", Text, primary_key=True),
    Column("desk", Text, primary_key=True),
    Column("source", Text, primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("month", String(7), primary_key=True),
    Column("takes", Integer, nullable=False),
    Column("mean", Double, nullable=False),
    Index("ix_month_reading_house", "house", "month"),
    sqlite_with_rowid=False,
    info={"derived": True},
    comment="Mean of a reading at the tap over the kept takes of a month; counted anew by each transaction that changes them.",
)

MONTH_FAULT: Final = Table(
    "month_fault",
    METADATA,
    Column("house", Text, primary_key=True),
    Column("room", Text, primary_key=True),
    Column("desk", Text, primary_key=True),
    Column("phase", String(16), primary_key=True),
    Column("month", String(7), primary_key=True),
    Column("kind", String(24), primary_key=True),
    Column("takes", Integer, nullable=False),
    sqlite_with_rowid=False,
    info={"derived": True},
    comment="Kept takes of a month with a kind of fault; all of them where the kind is empty.",
)
