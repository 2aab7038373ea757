"""A real archive of a test's own: Debian's Orthanc in a temporary folder, on free local ports."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import time
from contextlib import closing, contextmanager
from dataclasses import dataclass
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

# Debian's places of the package orthanc and of its plugin orthanc-dicomweb.
PLUGIN = Path("/usr/share/orthanc/plugins/libOrthancDicomWeb.so")
AE_TITLE = "ORTHANC"
_STARTS_WITHIN_SECONDS = 20


@dataclass(frozen=True)
class Orthanc:
    """A running archive.

    Attributes
    ----------
    http_port : of its pages and of DICOMweb
    dicom_port : of its DICOM listener; it answers to any called AE title
    """

    http_port: int
    dicom_port: int
    ae_title: str = AE_TITLE

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.http_port}"

    @property
    def dicomweb(self) -> str:
        return f"{self.address}/dicom-web"

    def get(self, path: str) -> bytes:
        """Return what its own interface answers."""
        return self._ask("GET", path)

    def listed(self, what: str) -> list[str]:
        """Return the archive's own names of its patients, studies, series or instances."""
        found: list[str] = json.loads(self.get(f"/{what}"))
        return found

    def files(self) -> list[bytes]:
        """Return every instance as it is kept."""
        return [self.get(f"/instances/{name}/file") for name in self.listed("instances")]

    def store(self, content: bytes) -> None:
        """Put one DICOM file into it by its own interface."""
        self._ask("POST", "/instances", content)

    def _ask(self, method: str, path: str, content: bytes | None = None) -> bytes:
        with closing(HTTPConnection("127.0.0.1", self.http_port, timeout=30)) as connection:
            connection.request(method, path, content)
            answer = connection.getresponse()
            found = answer.read()
        assert answer.status == 200, (method, path, answer.status, found[:500])
        return found


def free_port() -> int:
    """Return a port of this machine that nobody listened on a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def orthanc(
    folder: Path, modalities: Mapping[str, tuple[str, int]] | None = None, **settings: object
) -> Iterator[Orthanc]:
    """Run an archive that keeps its files in `folder`; killed at the end.

    Parameters
    ----------
    folder : Path, new or empty
    modalities : AE title to host and port, the targets that C-MOVE may send to
    settings : of its configuration besides, by their own names
    """
    program = shutil.which("Orthanc") or shutil.which("Orthanc", path="/usr/sbin:/usr/local/sbin")
    assert program, "no Orthanc: install Debian's orthanc and orthanc-dicomweb"
    made = Orthanc(free_port(), free_port())
    folder.mkdir(parents=True, exist_ok=True)
    configuration = folder / "orthanc.json"
    asked = _configuration(made, folder, modalities or {}) | settings
    configuration.write_text(json.dumps(asked), encoding="utf-8")
    with (folder / "log").open("wb") as log:
        running = subprocess.Popen([program, str(configuration)], stdout=log, stderr=log)
    try:
        _await(made, running, folder / "log")
        yield made
    finally:
        # What it kept goes with its folder: nothing needs the two seconds of an orderly end.
        running.kill()
        running.wait(timeout=30)


def _configuration(
    made: Orthanc, folder: Path, modalities: Mapping[str, tuple[str, int]]
) -> dict[str, Any]:
    return {
        "StorageDirectory": str(folder / "store"),
        "IndexDirectory": str(folder / "store"),
        "RemoteAccessAllowed": False,
        "AuthenticationEnabled": False,
        "HttpPort": made.http_port,
        "DicomAet": made.ae_title,
        "DicomPort": made.dicom_port,
        "DicomCheckCalledAet": False,
        "DicomAlwaysAllowEcho": True,
        "DicomAlwaysAllowFind": True,
        "DicomAlwaysAllowMove": True,
        "DicomAlwaysAllowStore": True,
        "DicomModalities": {name: [name, *place] for name, place in modalities.items()},
        "Plugins": [str(PLUGIN)],
        "DicomWeb": {"Enable": True, "Root": "/dicom-web/"},
    }


def _await(made: Orthanc, running: subprocess.Popen[bytes], log: Path) -> None:
    until = time.monotonic() + _STARTS_WITHIN_SECONDS
    while time.monotonic() < until and running.poll() is None:
        try:
            made.get("/system")
        except (OSError, HTTPException):
            time.sleep(0.05)
        else:
            return
    raise AssertionError(f"the archive did not start:\n{log.read_text(errors='replace')[-2000:]}")
