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


@pytest.mark.parametrize("source", SOURCES, ids=lambda path: path.parent.name)
def test_kernels_return_no_arrays(source):
    """References are not counted in a `kernel`: an array that it returned would be freed under its caller."""
    for function in ast.walk(ast.parse(source.read_text())):
        decorators = [d.id for d in getattr(function, "decorator_list", []) if isinstance(d, ast.Name)]
        if {"kernel", "inlined_kernel"} & set(decorators):
            arguments = {argument.arg for argument in function.args.args}
            sliced = {
                node.value.id
                for node in ast.walk(function)
                if isinstance(node, ast.Subscript)
                and isinstance(node.value, ast.Name)
                and any(isinstance(part, ast.Slice) for part in ast.walk(node.slice))
            }
            for leaving in (node for node in ast.walk(function) if isinstance(node, ast.Return) and node.value):
                parts = leaving.value.elts if isinstance(leaving.value, ast.Tuple) else [leaving.value]
                names = {part.id for part in parts if isinstance(part, ast.Name)}
                assert not names & arguments & sliced, f"{source}: {function.name} returns an array"
                assert not any(isinstance(part, ast.Subscript) and _is_slice(part) for part in parts), function.name


def _is_slice(part):
    return any(isinstance(piece, ast.Slice) for piece in ast.walk(part.slice))
