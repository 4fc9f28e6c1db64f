"""Photos and recordings, kept under the hash of their bytes; a file is whole or it is not there."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from firstcause.errors import CaseError

CHUNK = 1 << 20
_HASH = re.compile(r"[0-9a-f]{64}")


class NotKept(CaseError):
    """A photo or recording could not be written."""

    def __init__(self, cause: OSError) -> None:
        self.cause = cause
        super().__init__(
            f"The file was not kept: {cause.strerror or cause}. The case and everything kept before are untouched. "
            "Make room or check the disk, then attach it again."
        )


class LostAttachment(CaseError):
    """A kept file is gone, or its bytes are no longer what was kept."""

    def __init__(self, sha256: str, why: str) -> None:
        self.sha256, self.why = sha256, why
        super().__init__(
            f"The attachment {sha256[:12]}… {why}. The events of the case are kept. Fetch it from an exported copy."
        )


@dataclass(frozen=True)
class Kept:
    """What was kept: the hash of the bytes and how many there were."""

    sha256: str
    size_bytes: int


class BlobFolder:
    """A folder of files named by the SHA-256 of their bytes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def keep(self, chunks: Iterable[bytes]) -> Kept:
        """Write to the side, force to disk, then rename: durable when this returns. Twice the same is kept once.

        Raises NotKept when the disk refuses; nothing is left behind then.
        """
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(prefix="coming-", dir=self.folder)
        except OSError as error:
            raise NotKept(error) from error
        coming = Path(name)
        try:
            digest, size = hashlib.sha256(), 0
            with os.fdopen(handle, "wb") as file:
                for chunk in chunks:
                    digest.update(chunk)
                    size += len(chunk)
                    file.write(chunk)
                file.flush()
                os.fsync(file.fileno())
            target = self._path(digest.hexdigest())
            target.parent.mkdir(exist_ok=True)
            os.replace(coming, target)
            for folder in (target.parent, self.folder, self.folder.parent):
                sync_folder(folder)
        except OSError as error:
            raise NotKept(error) from error
        finally:
            coming.unlink(missing_ok=True)
        return Kept(digest.hexdigest(), size)

    def chunks(self, sha256: str) -> Iterator[bytes]:
        """The bytes in pieces; raises LostAttachment before or after them when they are not what was kept."""
        try:
            with self._path(sha256).open("rb") as file:
                digest = hashlib.sha256()
                while chunk := file.read(CHUNK):
                    digest.update(chunk)
                    yield chunk
        except OSError as error:
            raise LostAttachment(sha256, "cannot be read") from error
        if digest.hexdigest() != sha256:
            raise LostAttachment(sha256, "is no longer what was kept")

    def read(self, sha256: str) -> bytes:
        """The bytes; raises LostAttachment when they are gone or changed."""
        return b"".join(self.chunks(sha256))

    def file(self, sha256: str) -> Path:
        """The file itself, for a reader that goes through it in pieces; raises LostAttachment when gone or changed."""
        for _ in self.chunks(sha256):
            pass
        return self._path(sha256)

    def is_whole(self, sha256: str) -> bool:
        """Whether the bytes are there and are what was kept."""
        try:
            for _ in self.chunks(sha256):
                pass
        except LostAttachment:
            return False
        return True

    def _path(self, sha256: str) -> Path:
        if not _HASH.fullmatch(sha256):
            raise LostAttachment(sha256, "is no hash")
        return self.folder / sha256[:2] / sha256


def sync_folder(folder: Path) -> None:
    """Force a folder's list of names to disk, where the system allows it."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
