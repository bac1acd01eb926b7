"""Catalogue files as bounded lines: plain or gzip, whatever their name, however long or broken their lines.

No line is ever held longer than its limit, so that a hostile file costs time in proportion to its size but not memory.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import stat
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, NamedTuple

from shells.errors import CatalogueError

if TYPE_CHECKING:
    from typing_extensions import Buffer

_GZIP_MAGIC = b"\x1f\x8b"
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_CHUNK = 1 << 16

#: A gzip file that unpacks to more than this many times its size is a bomb: catalogues pack to a third (TLE) down to a
#: twentieth (XML). Small files may always unpack to `ALWAYS_UNPACKED`.
MOST_UNPACKED = 100

#: Unpacked size that no gzip file is refused for [byte].
ALWAYS_UNPACKED = 1 << 26

#: What the file is recognised from: the first bytes of its content.
HEAD_BYTES = 1 << 16


class Line(NamedTuple):
    """One line of a file.

    Parameters
    ----------
    number : int
        From 1.
    text : str
        Content without the line end and trailing blanks; of an overlong line, its beginning.
    overlong : bool
        Whether the line went beyond the limit.
    """

    number: int
    text: str
    overlong: bool


@contextmanager
def opened(path: Path) -> Iterator[IO[bytes]]:
    """Open a catalogue file, unpacked when it is gzip by content, and turn the faults of files into `CatalogueError`.

    Parameters
    ----------
    path : Path
        File to read.

    Yields
    ------
    binary stream
        Unpacked content, seekable.

    Raises
    ------
    CatalogueError
        The file is missing, not a file of the disk, unreadable, or its gzip data is cut, corrupt or a bomb.
    """
    if "\0" in str(path):
        raise CatalogueError(f"{str(path)!r}: no path of a file, it holds a NUL; give the path of a catalogue file")
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise CatalogueError(f"{path}: cannot be read (a directory, pipe or device); expected a file")
        with path.open("rb") as raw:
            plain = raw.read(2) != _GZIP_MAGIC
            raw.seek(0)
            if plain:
                yield raw
                return
            with (
                gzip.GzipFile(fileobj=raw) as packed,
                io.BufferedReader(_Unpacked(packed, path), _CHUNK) as stream,
            ):
                yield stream
    except EOFError:
        raise CatalogueError(f"{path}: the gzip data ends too early, the file is cut; fetch it again") from None
    except (gzip.BadGzipFile, zlib.error) as error:
        raise CatalogueError(f"{path}: the gzip data is corrupt ({error}); fetch it again") from None
    except FileNotFoundError:
        raise CatalogueError(f"{path}: no such file; give the path of a catalogue file") from None
    except OSError as error:
        raise CatalogueError(f"{path}: cannot be read ({error.strerror or error}); expected a readable file") from None


class _Unpacked(io.RawIOBase):
    """The content of a gzip file, up to a limit."""

    def __init__(self, packed: gzip.GzipFile, path: Path) -> None:
        self._packed = packed
        self._path = path
        self._most = max(ALWAYS_UNPACKED, MOST_UNPACKED * path.stat().st_size)

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        return self._packed.seek(offset, whence)

    def tell(self) -> int:
        return self._packed.tell()

    def readinto(self, buffer: Buffer) -> int:
        count = self._packed.readinto(buffer)
        if self._packed.tell() > self._most:
            raise CatalogueError(
                f"{self._path}: the gzip data unpacks to more than {self._most} bytes; expected at most "
                f"{MOST_UNPACKED} times the size of the file, or {ALWAYS_UNPACKED} bytes; else unpack it first"
            )
        return count


def sha256(path: Path) -> str:
    """Return the SHA-256 of the file as it lies on disk.

    Parameters
    ----------
    path : Path
        File, read in chunks.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    with path.open("rb") as raw:
        return hashlib.file_digest(raw, "sha256").hexdigest()


def bounded_lines(stream: IO[bytes], *, limit: int) -> Iterator[Line]:
    """Yield the lines of a stream, each held to `limit` bytes.

    Parameters
    ----------
    stream : binary stream
        At its beginning.
    limit : int
        Longest line [byte]; of a longer one the beginning is kept and the rest is passed over.

    Yields
    ------
    Line
        Every line that is not empty; bytes that are not UTF-8 become replacement characters.
    """
    number = 0
    while piece := stream.readline(limit + 2):
        number += 1
        if piece == b"\n":
            continue
        if number == 1:
            piece = piece.removeprefix(_BYTE_ORDER_MARK)
        overlong = len(piece.rstrip(b"\r\n")) > limit
        rest = piece
        while overlong and rest and not rest.endswith(b"\n"):
            rest = stream.readline(_CHUNK)
        yield Line(number, piece.decode("utf-8", "replace").rstrip(), overlong)
