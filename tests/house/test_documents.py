"""What a person is told: every command and setting, every room, and how to start."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

from registry.cli.main import COMMANDS
from registry.domain.caution import CAUTION
from registry.domain.settings import Settings

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_every_command_stands_in_the_readme():
    for name in COMMANDS:
        assert f"`{name}" in README, name


def test_every_setting_stands_in_the_developers_page():
    for field in fields(Settings):
        assert f"`{field.name}`" in DEVELOPERS, field.name


def test_every_room_stands_on_the_map_of_the_house():
    for tree in ("registry", "reports"):
        for room in (ROOT / tree).iterdir():
            if room.is_dir() and (room / "__init__.py").is_file():
                assert room.name + "/" in DEVELOPERS, room


def test_the_readme_starts_both_ways_and_cautions():
    assert (
        "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/pedicle-ledger demo"
        in README
    )
    assert "bash tests/run.sh" in README
    assert CAUTION in " ".join(README.split())


def test_the_pictures_that_the_readme_shows_are_there():
    for name in ("desk.png", "rates.png"):
        assert f"demo_data/pictures/{name}" in README
        assert (ROOT / "demo_data" / "pictures" / name).stat().st_size > 10_000
