"""Bill of materials: every library of the lock file with its version, digests and licence."""

from __future__ import annotations

from email.message import Message

import pytest

from tools.parts import bill, licence_of, parts


def facts(**fields: str | list[str]) -> Message:
    made = Message()
    for name, value in fields.items():
        for each in [value] if isinstance(value, str) else value:
            made[name.replace("_", "-")] = each
    return made


@pytest.mark.source("PEP 639: License-Expression goes before License and classifiers")
@pytest.mark.parametrize(
    ("stated", "licence"),
    [
        pytest.param({"License_Expression": "MIT", "License": "other"}, "MIT", id="expression"),
        pytest.param({"License": "BSD"}, "BSD", id="field"),
        pytest.param(
            {"License": "x " * 99, "Classifier": ["License :: OSI Approved :: MIT License", "Topic :: a"]},
            "MIT License",
            id="whole-text",
        ),
        pytest.param({}, "see its own files", id="nothing"),
    ],
)
def test_a_licence_as_a_library_states_it(stated, licence):
    assert licence_of(facts(**stated)) == licence


def test_the_lock_file_is_read(tmp_path):
    lock = tmp_path / "lock.txt"
    first, second = "a" * 64, "b" * 64
    lock.write_text(
        f"one==1.0 \\\n    --hash=sha256:{first} \\\n    --hash=sha256:{second}\n"
        f"two==2.1 ; python_full_version < '3.12' \\\n    --hash=sha256:{second}\n"
    )
    one, two = parts(lock)
    assert (one.name, one.version, one.marker, one.sha256) == ("one", "1.0", "", (first, second))
    assert (two.name, two.version, two.marker, two.sha256) == ("two", "2.1", "python_full_version < '3.12'", (second,))


@pytest.mark.source("ECMA-424, CycloneDX 1.6: bomFormat, specVersion, components with purl and hashes")
def test_the_bill_names_every_library_once_with_its_digests():
    components = bill()["components"]
    assert len(components) > 20
    assert len({each["purl"] for each in components}) == len(components)
    assert all(each["purl"] == f"pkg:pypi/{each['name'].lower()}@{each['version']}" for each in components)
    assert all(each["hashes"] for each in components)
