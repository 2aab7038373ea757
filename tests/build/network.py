"""Peers of the receiver: certificates of a test's own, and dcmtk's programs as senders."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.build.places import Place

ROOT = Path(__file__).parents[2]
_MAIN = "import sys; from registry.cli.main import main; sys.exit(main(sys.argv[1:]))"
TITLE, SENDER = "LEDGER", "ARCHIVE"


@dataclass(frozen=True)
class Pair:
    """A certificate that signs itself, and its key."""

    certificate: Path
    key: Path


def a_pair(folder: Path, name: str) -> Pair:
    """Write a self-signed certificate for this machine's loopback."""
    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    names = [x509.DNSName("localhost"), x509.IPAddress(ip_address("127.0.0.1"))]
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(who)
        .issuer_name(who)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=2))
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .sign(key, hashes.SHA256())
    )
    pair = Pair(folder / f"{name}.crt", folder / f"{name}.key")
    pair.certificate.write_bytes(made.public_bytes(Encoding.PEM))
    pair.key.write_bytes(
        key.private_bytes(Encoding.PEM, PrivateFormat.TraditionalOpenSSL, NoEncryption())
    )
    return pair


def dcmtk(name: str) -> str:
    """Return dcmtk's program; pynetdicom puts some of the same names into an environment's bin."""
    # Where the system keeps its own; whichever environment the tests were started from comes last.
    places = ["/usr/bin", "/usr/local/bin", *os.get_exec_path()]
    program = shutil.which(name, path=os.pathsep.join(places))
    assert program, f"no {name}: install Debian's dcmtk"
    return program


def send(
    port: int, folder: Path, *options: object, caller: str = SENDER, called: str = TITLE
) -> subprocess.CompletedProcess[str]:
    """Send a folder's files with dcmtk's storescu."""
    program = dcmtk("storescu")
    words = [program, "-aet", caller, "-aec", called, *options, "127.0.0.1", port, folder, "+sd"]
    return subprocess.run(
        [str(word) for word in words], capture_output=True, text=True, timeout=60, check=False
    )


@dataclass
class Listener:
    """A running `listen`, as people start it."""

    process: subprocess.Popen[str]
    port: int
    said: str

    def child(self) -> int:
        """Return the process that receives."""
        path = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        (found,) = path.read_text().split()
        return int(found)

    def memory_mb(self) -> float:
        """Return what the watching process holds."""
        pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6

    def kill_child(self) -> None:
        """Kill the process that receives, and wait until another has taken its place."""
        before = self.child()
        os.kill(before, signal.SIGKILL)
        until = time.monotonic() + 20
        while time.monotonic() < until:
            try:
                if self.child() != before and self.is_open():
                    return
            except (OSError, ValueError):
                pass
            time.sleep(0.05)
        raise AssertionError("no receiver took its place")

    def is_open(self) -> bool:
        """Say whether the child listens, without connecting to it."""
        inodes = {
            line.split()[9]
            for line in Path("/proc/net/tcp").read_text().splitlines()[1:]
            if line.split()[3] == "0A" and int(line.split()[1].split(":")[1], 16) == self.port
        }
        return bool(inodes)


@contextmanager
def listening(place: Place, before: str = "", **environment: str) -> Iterator[Listener]:
    """Run `listen` on a free port, `before` it what limits it; ended in order."""
    settings = {
        "PEDICLE_LEDGER_RECEIVER_TITLE": TITLE,
        "PEDICLE_LEDGER_RECEIVER_PEERS": f"{SENDER}@127.0.0.1",
        **environment,
    }
    process = subprocess.Popen(
        [sys.executable, "-c", before + _MAIN, "listen", "--port", "0"],
        cwd=ROOT,
        env=place.all_environment() | settings,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    try:
        words = line.split()
        assert "port" in words, (line, process.stderr.read() if process.stderr else "")
        yield Listener(process, int(words[words.index("port") + 1]), line)
    finally:
        process.terminate()
        process.communicate(timeout=30)
