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
from typing import Any

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

#: The wrapper for callers in C that take a kernel as a pointer is left out: there are none, and it takes time to make.
_OPTIONS: dict[str, Any] = {"cache": True, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}

#: Kernels that allocate nothing, return no array and call nothing that returns one. Counting references to arrays is
#: switched off: each mention of an array of a force model would otherwise cost two locked operations, which took most
#: of the time of the inner loops. The option is numba's own, for its inner functions; numba refuses to compile a kernel
#: that allocates, and a test looks for arrays returned.
kernel = numba.njit(**_OPTIONS, forceinline=False, _nrt=False)

#: The same, for kernels that only kernels call. There is no way in from Python, and calling one from there crashes: a
#: test looks for that. Unpacking arguments from Python, a force model of some hundred numbers among them, would take up
#: to a tenth of a second to compile, for each kernel.
inner_kernel = numba.njit(**_OPTIONS, forceinline=False, no_cpython_wrapper=True, _nrt=False)

#: Inner kernels of one caller or of innermost loops: they become part of their callers, which saves handing over the
#: force model with each call, and a third of the time to compile.
inlined_kernel = numba.njit(**_OPTIONS, forceinline=True, no_cpython_wrapper=True, _nrt=False)

#: Kernels that allocate arrays, for themselves and those they call. The option is set because numba would otherwise
#: take it from whichever kernel calls first.
allocating_kernel = numba.njit(**_OPTIONS, forceinline=False, _nrt=True)
