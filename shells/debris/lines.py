"""Catalogue files as bounded lines: plain or gzip, whatever their name, however long or broken their lines.

No line is ever held longer than its limit, so that a hostile file costs time in proportion to its size but not memory.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, NamedTuple

from shells.errors import CatalogueError

_GZIP_MAGIC = b"\x1f\x8b"
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_CHUNK = 1 << 16

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
        The file is missing, unreadable, or its gzip data is cut or corrupt.
    """
    try:
        with path.open("rb") as raw:
            packed = raw.read(2) == _GZIP_MAGIC
            raw.seek(0)
            if not packed:
                yield raw
                return
            with gzip.GzipFile(fileobj=raw) as unpacked, io.BufferedReader(unpacked, _CHUNK) as stream:
                yield stream
    except EOFError:
        raise CatalogueError(f"{path}: the gzip data ends too early, the file is cut; fetch it again") from None
    except (gzip.BadGzipFile, zlib.error) as error:
        raise CatalogueError(f"{path}: the gzip data is corrupt ({error}); fetch it again") from None
    except FileNotFoundError:
        raise CatalogueError(f"{path}: no such file; give the path of a TLE, 3LE, OMM CSV or OMM JSON file") from None
    except OSError as error:
        raise CatalogueError(f"{path}: cannot be read ({error.strerror or error}); expected a readable file") from None


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
        Every line, blank ones included; bytes that are not UTF-8 become replacement characters.
    """
    number = 0
    while piece := stream.readline(limit + 2):
        number += 1
        if number == 1:
            piece = piece.removeprefix(_BYTE_ORDER_MARK)
        overlong = len(piece.rstrip(b"\r\n")) > limit
        rest = piece
        while overlong and rest and not rest.endswith(b"\n"):
            rest = stream.readline(_CHUNK)
        yield Line(number, piece.decode("utf-8", "replace").rstrip(), overlong)
