"""Which module uses which, read from the imports: labcalc's own and those of its tests."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path

__all__ = ["ImportMap"]


class ImportMap:
    """The modules of a tree by dotted name, and what each takes from which, seen through the faces of packages."""

    def __init__(self, root: Path) -> None:
        self.files = {
            _dotted(path.relative_to(root)): path for top in ("labcalc", "tests") for path in _python(root / top)
        }
        self.names = {path: name for name, path in self.files.items()}

    def distances(self, path: Path) -> dict[str, int]:
        """Return how many imports away each module is from a file: 1 for what it takes itself."""
        found, reached, distance = {}, {self.names[path]}, 0
        while reached:
            found.update(dict.fromkeys(reached, distance))
            distance += 1
            reached = {used for name in reached for used in self.used[name]} - set(found)
        return found

    @cached_property
    def used(self) -> dict[str, set[str]]:
        """The modules that each module takes something from."""
        return {name: set(self._used_by(name)) for name in self.files}

    def _used_by(self, module: str) -> Iterator[str]:
        trees = [ast.parse(path.read_text("utf-8")) for path in self._sources(module)]
        nodes = [node for tree in trees for node in ast.walk(tree)]
        packages: dict[str, str] = {}
        for name, base, taken in (one for node in nodes for one in self._imported(module, node)):
            used = self._home(base, taken)
            if self._is_package(used) and used != module:
                packages[name] = used
            elif used in self.files:
                yield used
        seen = {id(node.value) for node in nodes if isinstance(node, ast.Attribute)}
        for node in nodes:
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in packages:
                yield self._home(packages[node.value.id], node.attr)
            elif isinstance(node, ast.Name) and node.id in packages and id(node) not in seen:
                yield packages[node.id]

    def _imported(self, module: str, node: ast.AST) -> Iterator[tuple[str, str, str]]:
        """Yield the name here, the module, and the name there (empty for the module itself)."""
        if isinstance(node, ast.Import):
            yield from ((alias.asname or alias.name.partition(".")[0], alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            package = module if self._is_package(module) else module.rpartition(".")[0]
            above = package.split(".")[: len(package.split(".")) - node.level + 1] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            yield from ((alias.asname or alias.name, base, alias.name) for alias in node.names)

    def _home(self, base: str, name: str) -> str:
        """Return the module that a name of a module stands in, through the face of a package."""
        if f"{base}.{name}" in self.files:
            return f"{base}.{name}"
        if self._is_package(base) and name in (face := self._face(base)):
            return self._home(*face[name])
        return base

    def _face(self, package: str) -> dict[str, tuple[str, str]]:
        if package not in self._faces:
            nodes = [node for path in self._sources(package) for node in ast.walk(ast.parse(path.read_text("utf-8")))]
            taken = (one for node in nodes for one in self._imported(package, node))
            self._faces[package] = {name: (base, there) for name, base, there in taken if base != package and there}
        return self._faces[package]

    @cached_property
    def _faces(self) -> dict[str, dict[str, tuple[str, str]]]:
        return {}

    def _sources(self, module: str) -> list[Path]:
        path = self.files[module]
        stub = path.with_suffix(".pyi")
        return [path, stub] if stub.exists() else [path]

    def _is_package(self, module: str) -> bool:
        return module in self.files and self.files[module].name == "__init__.py"


def _python(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.py"))


def _dotted(path: Path) -> str:
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
