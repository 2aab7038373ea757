"""Sealed files of quarters, as they were signed, under the digest of their bytes.

They lie in the folder of images, so that whatever is done with it is done with them.
"""

from __future__ import annotations

from registry.store.sealed_files import WholeFiles


class SealedQuarters(WholeFiles):
    """The sealed quarters and supplements in a ledger's folder of images."""

    ending = ".sealed"
    kind = "sealed quarter"
