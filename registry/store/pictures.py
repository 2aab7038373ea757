"""The pictures that readings were made on: PNG files under the digest of their bytes.

They lie in the folder of images, so that whatever is done with it is done with them.
"""

from __future__ import annotations

import hashlib

from registry.domain.problems import FailureError, NotFoundError
from registry.store.sealed_files import SealedFiles, disk_words, write_at


class PictureStore(SealedFiles):
    """The pictures in a ledger's folder of images."""

    ending = ".png"
    kind = "picture"

    @staticmethod
    def digest_of(content: bytes) -> str:
        """Return the name under which a picture is kept."""
        return hashlib.sha256(content).hexdigest()

    def keep(self, content: bytes) -> str:
        """Put a picture in its place for good and return its digest."""
        digest = self.digest_of(content)
        with self.part() as (path, descriptor):
            with disk_words():
                write_at(descriptor, content, 0)
            self.put_in_place(path, descriptor, digest)
        return digest

    def content(self, digest: str) -> bytes:
        """Return a picture's bytes, held against their digest.

        Raises
        ------
        NotFoundError : there is none
        FailureError : it is not what was written
        """
        try:
            found = b"".join(self.blocks(digest))
        except FileNotFoundError:
            raise NotFoundError(f"no picture {digest} in the image store") from None
        if self.digest_of(found) != digest:
            raise FailureError(f"picture {digest} is damaged; restore it from a backup")
        return found
