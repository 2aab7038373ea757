"""The wheel alone, in an empty folder, makes a ledger: it carries its migrations and its demo."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "-q", "--disable-pip-version-check"]
    subprocess.run(
        [*pip, "wheel", "--no-deps", "--no-build-isolation", "-w", str(folder), str(ROOT)],
        check=True,
    )
    (wheel,) = folder.glob("*.whl")
    target = folder / "site"
    subprocess.run([*pip, "install", "--no-deps", "--target", str(target), str(wheel)], check=True)
    return target


def _run(installed, folder, *words):
    environment = {**os.environ, "PYTHONPATH": str(installed), "PEDICLE_LEDGER_HOME": "ledger"}
    environment.pop("PEDICLE_LEDGER_DATABASE", None)
    return subprocess.run(
        [sys.executable, *words],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_wheel_makes_and_verifies_a_ledger_in_an_empty_folder(installed, tmp_path):
    program = ["-c", "import sys; from registry.cli.main import main; sys.exit(main())"]
    where = _run(installed, tmp_path, "-c", "import registry; print(registry.__file__)")
    assert where.stdout.startswith(str(installed))
    made = _run(installed, tmp_path, *program, "init")
    assert made.returncode == 0, made.stderr
    verified = _run(installed, tmp_path, *program, "verify")
    assert (verified.returncode, verified.stdout) == (0, "the ledger is as its trail says\n")


def test_the_wheel_carries_the_demo_and_no_generated_file(installed):
    packed = installed / "registry" / "_demo_data"
    assert (packed / "__init__.py").is_file()
    assert not list(packed.rglob("*.dcm"))
    assert (installed / "registry" / "_migrations" / "versions" / "0001_first_ledger.py").is_file()
