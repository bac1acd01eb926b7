"""The decorators of compiled kernels.

Kernels are compiled by numba with `nogil` (threads of one process run them side by side), without `fastmath` (NaN must
stay NaN), and cached on disk. numba does not notice when a function that a cached kernel calls changes in another file,
nor when the options below do, so the cache directory carries a hash of all kernel sources and of this file; where the
user set ``NUMBA_CACHE_DIR``, within that.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path

import numba


def _source_hash() -> str:
    digest = hashlib.sha256()
    for source in (Path(__file__), *sorted(Path(__file__).parent.rglob("kernels.py"))):
        digest.update(source.read_bytes())
    return digest.hexdigest()[:16]


def _cache_directory() -> Path:
    name = f"kernels-{_source_hash()}"
    home = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    preferred = Path(os.environ.get("NUMBA_CACHE_DIR") or Path(home) / "shells") / name
    try:
        preferred.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=preferred):
            return preferred
    except OSError:  # a read-only home: kernels are compiled anew on each machine, but still once per machine
        return Path(tempfile.gettempdir()) / f"shells-{os.getuid()}" / name


numba.config.CACHE_DIR = str(_cache_directory())

#: Kernels that allocate nothing, return no array and call nothing that returns one. Counting references to arrays is
#: switched off: each mention of an array of a force model would otherwise cost two locked operations, which took most
#: of the time of the inner loops. The option is numba's own, for its inner functions; numba refuses to compile a kernel
#: that allocates, and a test looks for arrays returned.
kernel = numba.njit(cache=True, nogil=True, error_model="numpy", _nrt=False)

#: The same, for kernels of one caller or of innermost loops: they become part of their callers, which saves handing
#: over the force model, some hundred numbers, with each call, and a third of the time to compile.
inlined_kernel = numba.njit(cache=True, nogil=True, error_model="numpy", forceinline=True, _nrt=False)

#: Kernels that allocate arrays, for themselves and those they call. The option is set because numba would otherwise
#: take it from whichever kernel calls first.
allocating_kernel = numba.njit(cache=True, nogil=True, error_model="numpy", _nrt=True)
