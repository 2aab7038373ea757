"""The pictures that readings were made on: PNG files under the digest of their bytes.

They lie in the folder of images, so that whatever is done with it is done with them.
"""

from __future__ import annotations

from registry.store.sealed_files import WholeFiles


class PictureStore(WholeFiles):
    """The pictures in a ledger's folder of images."""

    ending = ".png"
    kind = "picture"
