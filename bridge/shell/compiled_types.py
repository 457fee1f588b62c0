"""Gives back to compiled classes the types of their fields, which their memory is read by.

A core compiled by mypyc (DEVELOPERS.md tells how) keeps of ``float | None`` only that it is a type.
The source lies beside the compiled module in the package, and says it in full. Interpreted
classes are left as they are.
"""

import ast
import sys
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, get_args


def restore(root: type) -> None:
    """Restore the types of a dataclass and of all that are reached from it.

    Args:
        root: Compiled or not.
    """
    waiting: list[Any] = [root]
    seen: set[Any] = set()
    while waiting:
        found = waiting.pop()
        if isinstance(found, type) and is_dataclass(found):
            if found in seen:
                continue
            seen.add(found)
            if _compiled(found.__module__):
                _restore_one(found)
            waiting += [each.type for each in fields(found)]
        else:
            waiting += get_args(found)


def _compiled(module: str) -> bool:
    return not str(getattr(sys.modules[module], "__file__", "")).endswith(".py")


def _restore_one(found: type) -> None:
    module = sys.modules[found.__module__]
    sources = _annotations(found.__module__)[found.__name__]
    known: dict[str, Any] = found.__dict__["__dataclass_fields__"]
    for name, source in sources.items():
        if name not in known:
            continue
        # Our own source, and the very expression that the interpreter would have evaluated.
        meant = eval(source, vars(module))  # noqa: S307
        known[name].type = meant
        found.__annotations__[name] = meant
    if "__slots__" not in found.__dict__:
        # Whoever looks finds that the fields are attributes and no dictionary holds them.
        type.__setattr__(found, "__slots__", tuple(known))


@cache
def _annotations(module: str) -> dict[str, dict[str, str]]:
    """For each class of a module, the types of its fields as they are written."""
    origin = sys.modules[module].__file__ or ""
    path = Path(origin).with_name(f"{module.rpartition('.')[2]}.py")
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {
        each.name: {
            line.target.id: ast.unparse(line.annotation)
            for line in each.body
            if isinstance(line, ast.AnnAssign) and isinstance(line.target, ast.Name)
        }
        for each in tree.body
        if isinstance(each, ast.ClassDef)
    }
