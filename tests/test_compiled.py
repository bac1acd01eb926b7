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
        if {"kernel", "inner_kernel", "inlined_kernel"} & decorators:
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


def test_nobody_but_kernels_calls_inner_kernels():
    """There is no way in from Python: the process would crash."""
    modules = {}
    for source in SOURCES:
        name = ".".join(source.relative_to(Path(shells.__file__).parent.parent).with_suffix("").parts)
        functions = (part for part in ast.parse(source.read_text()).body if isinstance(part, ast.FunctionDef))
        modules[name] = {
            function.name
            for function in functions
            if {"inner_kernel", "inlined_kernel"} & {getattr(d, "id", "") for d in function.decorator_list}
        }
    assert "hermite" in modules["shells.motion.kernels"]
    for name, source in zip(modules, SOURCES, strict=True):  # a module has those that it imports, too
        for part in (part for part in ast.parse(source.read_text()).body if isinstance(part, ast.ImportFrom)):
            modules[name] |= {alias.name for alias in part.names} & modules.get(part.module or "", set())
    root = Path(__file__).parent.parent
    callers = (path for room in ("shells", "tests", "benchmarks") for path in (root / room).rglob("*.py"))
    for path in set(callers) - set(SOURCES):
        tree = ast.parse(path.read_text())
        rooms, inner = {}, set()
        for part in (part for part in ast.walk(tree) if isinstance(part, ast.ImportFrom)):
            for alias in part.names:
                rooms[alias.asname or alias.name] = modules.get(f"{part.module}.{alias.name}", set())
                if alias.name in modules.get(part.module or "", set()):
                    inner.add(alias.asname or alias.name)
        for call in (part.func for part in ast.walk(tree) if isinstance(part, ast.Call)):
            if isinstance(call, ast.Attribute) and isinstance(call.value, ast.Name):
                assert call.attr not in rooms.get(call.value.id, set()), f"{path}:{call.lineno} calls {call.attr}"
            assert getattr(call, "id", "") not in inner, f"{path}:{call.lineno} calls {ast.unparse(call)}"


def has_slice(node):
    return any(isinstance(part, ast.Slice) for part in ast.walk(node))
