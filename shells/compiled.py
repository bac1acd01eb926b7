"""The decorators of compiled kernels.

Kernels are compiled by numba with `nogil` (threads of one process run them side by side), without `fastmath` (NaN must
stay NaN), and cached on disk. numba does not notice when a function that a cached kernel calls changes in another file,
so the cache directory carries a hash of all kernel sources, unless the user set ``NUMBA_CACHE_DIR``.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path
from typing import Any

import numba
from numba.core import cgutils
from numba.extending import intrinsic
from numba.np.arrayobj import make_array


def _source_hash() -> str:
    digest = hashlib.sha256()
    for source in sorted(Path(__file__).parent.rglob("kernels.py")):
        digest.update(source.read_bytes())
    return digest.hexdigest()[:16]


def _cache_directory() -> Path:
    home = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    name = f"kernels-{_source_hash()}"
    preferred = Path(home) / "shells" / name
    try:
        preferred.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=preferred):
            return preferred
    except OSError:  # a read-only home: kernels are compiled anew on each machine, but still once per machine
        return Path(tempfile.gettempdir()) / f"shells-{os.getuid()}" / name


if not os.environ.get("NUMBA_CACHE_DIR"):
    numba.config.CACHE_DIR = str(_cache_directory())

kernel = numba.njit(cache=True, nogil=True, error_model="numpy")

#: For kernels of one caller or of innermost loops: they become part of their callers, which saves handing over the
#: force model, some hundred numbers, with each call, and a third of the time to compile.
inlined_kernel = numba.njit(cache=True, nogil=True, error_model="numpy", forceinline=True)


@intrinsic
def bare(typing_context: Any, array: Any) -> Any:
    """Return a view of an array, inside a kernel, that is not counted as a reference to it.

    Each array that is sliced or taken from a tuple is counted, which costs more than small kernels do, and threads that
    share an array wait for each other at its count. The caller of the kernel keeps the array alive.
    """

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        view = make_array(array)(context, builder, arguments[0])
        view.meminfo = cgutils.get_null_value(view.meminfo.type)
        view.parent = cgutils.get_null_value(view.parent.type)
        return view._getvalue()

    return array(array), code
