"""Rules of compiled kernels that numba does not keep by itself."""

import ast
from pathlib import Path

import numpy as np
import pytest
from numba.core.errors import NumbaError

import shells
from shells import compiled

SOURCES = sorted(Path(shells.__file__).parent.rglob("kernels.py"))


def test_kernel_that_allocates_is_refused():
    @compiled.kernel
    def allocates(n):
        return np.empty(n).sum()

    with pytest.raises(NumbaError):
        allocates(3)


def test_kernel_may_call_one_that_allocates():
    @compiled.allocating_kernel
    def allocates(n):
        room = np.empty(n)
        room[:] = n
        return room.sum()

    @compiled.kernel
    def calls(n):
        return allocates(n)

    assert calls(3) == 9.0


@pytest.mark.parametrize("source", SOURCES, ids=lambda path: path.parent.name)
def test_kernels_return_no_arrays(source):
    """References are not counted in a `kernel`: an array that it returned would be freed under its caller."""
    for function in ast.walk(ast.parse(source.read_text())):
        decorators = {d.id for d in getattr(function, "decorator_list", []) if isinstance(d, ast.Name)}
        if {"kernel", "inlined_kernel"} & decorators:
            arrays = {
                part.value.id
                for part in ast.walk(function)
                if isinstance(part, ast.Subscript) and isinstance(part.value, ast.Name)
            } & {argument.arg for argument in function.args.args}
            for part in ast.walk(function):
                if isinstance(part, ast.Assign) and has_slice(part.value):
                    arrays |= {target.id for target in part.targets if isinstance(target, ast.Name)}
            for leaving in (part for part in ast.walk(function) if isinstance(part, ast.Return) and part.value):
                whole = leaving.value.elts if isinstance(leaving.value, ast.Tuple) else [leaving.value]
                names = {part.id for part in whole if isinstance(part, ast.Name)}
                assert not names & arrays and not any(
                    isinstance(part, ast.Subscript) and has_slice(part) for part in whole
                ), f"{source}: {function.name} returns an array"


def has_slice(node):
    return any(isinstance(part, ast.Slice) for part in ast.walk(node))
