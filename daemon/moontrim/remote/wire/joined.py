"""Joins the modules of a page to one script. Pure.

A browser requests what a module imports only when the module has come, and six files at a time:
over a slow link thirty of them take a dozen round trips. Each module becomes a function that
returns what it exports, those that it imports before it:

    import { level } from "./words.js";          const $words_js = (() => { ... })();
    export function show(state) { ... }    -->   const $view_js = (() => {
                                                 const { level } = $words_js;
                                                 function show(state) { ... }
                                                 return { show };
                                                 })();

That holds for named imports, and for exported functions, classes and constants, which is all that
the page uses."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Mapping

IMPORT = re.compile(r'^import (?:\{([^{}]*)\} from )?"(\.[\w./-]+)";\n', re.MULTILINE)
EXPORT = re.compile(
    r"^export (?=(?:async )?function\*? (\w+)|class (\w+)|const (\w+) )", re.MULTILINE
)
OTHER = re.compile(r"^(?:import|export)\b[^\n]*|\bimport\([^\n]*", re.MULTILINE)
COMMENT = re.compile(r"^ *(?://[^\n]*|/\*(?:(?!\*/).)*\*/)\n", re.MULTILINE | re.DOTALL)


def join_modules(entry: str, sources: Mapping[str, str], outside: Mapping[str, str]) -> str:
    """Returns the module `entry` with all that it imports as one module, without comments on lines
    of their own. Raises ValueError for what it cannot join, such as modules that import each other.

    sources: by path. outside: addresses of modules that are not joined but imported, by path."""
    imported: dict[str, set[str]] = {}  # from outside: address -> names
    order: list[str] = []
    parts: list[str] = []

    def add(path: str, within: tuple[str, ...]) -> None:
        if path in within:
            raise ValueError(f"modules import each other: {' -> '.join((*within, path))}")
        if path in order:
            return
        if path not in sources:
            raise ValueError(f"{within[-1] if within else 'page'} imports {path}, which is missing")
        source = COMMENT.sub("", sources[path].rstrip("\n") + "\n")
        heads = []
        for match in IMPORT.finditer(source):
            names = [
                name for name in (match[1] or "").replace("\n", " ").split(",") if name.strip()
            ]
            other = posixpath.normpath(posixpath.join(posixpath.dirname(path), match[2]))
            if other in outside:
                imported.setdefault(outside[other], set()).update(name.strip() for name in names)
                continue
            add(other, (*within, path))
            if names:
                taken = ", ".join(name.strip().replace(" as ", ": ") for name in names)
                heads.append(f"const {{ {taken} }} = {_name(other)};\n")
        body = IMPORT.sub("", source)
        exported = [next(filter(None, match.groups())) for match in EXPORT.finditer(body)]
        body = EXPORT.sub("", body)
        if (unknown := OTHER.search(re.sub(r"/\*.*?\*/", "", body))) is not None:
            raise ValueError(f"{path}: cannot be joined: {unknown[0]}")
        order.append(path)
        parts.append(
            f"const {_name(path)} = (() => {{\n{''.join(heads)}{body}"
            f"return {{ {', '.join(exported)} }};\n}})();\n"
        )

    add(entry, ())
    imports = (
        f'import {{ {", ".join(sorted(names))} }} from "{address}";\n'
        for address, names in imported.items()
    )
    return "".join((*imports, *parts))


def _name(path: str) -> str:
    return "$" + re.sub(r"\W", "_", path)
