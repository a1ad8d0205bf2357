"""The commands. Thin: each imports what it needs when it runs, so that `--help` answers at once."""

from deskhand.cli import (
    check,
    compare,
    demo,
    done,
    exposure,
    history,
    keep,
    live,
    new,
    note,
    render,
    room,
    serve,
    sheet,
)
from deskhand.cli.group import main

for _command in (
    check.check,
    done.done,
    keep.keep,
    history.history,
    render.render,
    sheet.sheet,
    new.new,
    compare.compare,
    exposure.calibrate,
    exposure.exposure,
    live.live,
    note.note,
    room.room,
    serve.serve,
    demo.demo,
):
    main.add_command(_command)

__all__ = ["main"]
