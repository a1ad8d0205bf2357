"""Running `deskhand check` as a person would, and reading what it wrote; processes of its own are in `test_cli`."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from click.testing import CliRunner

from deskhand.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

Thing = TypeVar("Thing")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One source as the house file describes it."""

    name: str
    role: str
    tracks: tuple[str | int, ...]
    nominal_dbfs: float | None = None

    def toml(self) -> str:
        """Give its table of the house file; JSON's strings and lists are TOML's too."""
        lines = [
            "[[source]]",
            f"name = {json.dumps(self.name)}",
            f"role = {json.dumps(self.role)}",
            f"tracks = {json.dumps(list(self.tracks))}",
        ]
        if self.nominal_dbfs is not None:
            lines.append(f'nominal = "{self.nominal_dbfs:.1f} dBFS"')
        return "\n".join(lines) + "\n"


def once(make: Callable[[Thing], Result]) -> Callable[[Thing], Result]:
    """Call only once for each thing (which has a `name`, or is one); a failure too is kept, and raised each time."""
    results: dict[str, Result] = {}
    failures: dict[str, BaseException] = {}

    def get(thing: Thing) -> Result:
        name = str(getattr(thing, "name", thing))
        if name in failures:
            raise failures[name]
        if name not in results:
            try:
                results[name] = make(thing)
            except BaseException as error:
                failures[name] = error
                raise
        return results[name]

    return get


def house_toml(sources: Sequence[Source], *, mains: str = "50 Hz", nominal: str = "-18 dBFS") -> str:
    """Give a whole house file."""
    head = f'[house]\nname = "Tern Street Hall"\nnominal = "{nominal}"\nmains = "{mains}"\n'
    return "\n".join([head, *(source.toml() for source in sources)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What one run of the command said."""

    exit_status: int
    data: dict[str, Any]

    def source(self, name: str) -> dict[str, Any]:
        """Find one source by its name."""
        [found] = [source for source in self.data["sources"] if source["name"] == name]
        return dict(found)

    def before(self, name: str) -> dict[str, Any]:
        """Give the readings of one source at the tap."""
        return dict(self.source(name)["before"])

    def findings(self, *names: str) -> list[tuple[str, dict[str, Any]]]:
        """List (source name, finding) of the named sources, of all when none is named."""
        return [
            (source["name"], finding)
            for source in self.data["sources"]
            for finding in source["findings"]
            if not names or source["name"] in names
        ]


def check(recording: Path, house: str, scratch: Path, *options: str) -> Checked:
    """Run `deskhand check` on a recording with this house; anything but exit 0 or 1 is an error."""
    house_file, json_file = scratch / "house.toml", scratch / "check.json"
    house_file.write_text(house, encoding="utf-8")
    done = CliRunner().invoke(
        main, ["check", str(recording), "--house", str(house_file), "--json", str(json_file), "--no-report", *options]
    )
    said = f"exit {done.exit_code}\n{done.stdout[-2000:]}\n{done.stderr[-4000:]}"
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
    assert done.exit_code in (0, 1), said
    # NaN and infinity are no JSON: the contract says null
    data = json.loads(json_file.read_text(encoding="utf-8"), parse_constant=_refuse)
    return Checked(exit_status=done.exit_code, data=data)


def _refuse(constant: str) -> None:
    raise AssertionError(f"{constant} in the JSON")
