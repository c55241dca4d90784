"""Join a page's ES modules into one script, so that a page of one file needs no second one.

The files are plain ES modules, which editors, linters and browsers read as they are. Joined, each keeps a scope of its
own: a function whose only outcome is what the module exports, run once, after all that it imports from. Accepted are
the forms that need no parser, each at the beginning of a line::

    import { name, name as other } from "./file.js";
    import "./file.js";
    export function name   export async function name   export class Name   export const NAME =
    export { name, name as other };

A circle of imports, a file or a name that is not there, and any other form of import and export are refused.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from vinemap.resources import asset

_IMPORT = re.compile(r'^import (?:\{(?P<names>[^{}]*)\} from )?"(?P<file>\.[^"]*)";\n', re.MULTILINE)
_DECLARED = re.compile(r"^export (?=(?:(?:async )?function|class|const) (?P<name>[A-Za-z_$][\w$]*))", re.MULTILINE)
_LISTED = re.compile(r"^export \{(?P<names>[^{}]*)\};\n", re.MULTILINE)
_OTHER = re.compile(r"^\s*(?:import|export)\b(?! *[:,)]).*", re.MULTILINE)
_NAME = re.compile(r"([A-Za-z_$][\w$]*)(?:\s+as\s+([A-Za-z_$][\w$]*))?")
_MARKUP = re.compile(r"</script|<!--", re.IGNORECASE)


@dataclass(frozen=True)
class Module:
    """One file of a script.

    Attributes
    ----------
    file : str
        Its path inside the package.
    imports : tuple of (str, dict)
        In the file's order: the file that is imported from, and its exported names by the names they have here.
    exports : dict
        Names in this file, by the names under which they are exported.
    body : str
        The code without its imports and exports.
    """

    file: str
    imports: tuple[tuple[str, dict[str, str]], ...]
    exports: dict[str, str]
    body: str

    @classmethod
    def parsed(cls, file: str, text: str) -> Module:
        """Read a file's imports and exports.

        Raises
        ------
        ValueError
            When it imports or exports in a way that is not accepted, or its code would end the ``script`` element.
        """
        home = posixpath.dirname(file)
        found = [
            (posixpath.normpath(posixpath.join(home, m["file"])), m["names"] or "") for m in _IMPORT.finditer(text)
        ]
        imports = tuple((source, {here: there for there, here in _names(file, names)}) for source, names in found)
        exports = {m["name"]: m["name"] for m in _DECLARED.finditer(text)}
        for listed in _LISTED.finditer(text):
            exports |= {there: here for here, there in _names(file, listed["names"])}
        body = _DECLARED.sub("", _LISTED.sub("", _IMPORT.sub("", text)))
        if other := _OTHER.search(body):
            raise ValueError(f"{file}: cannot join {other[0].strip()!r}")
        if _MARKUP.search(body):
            raise ValueError(f"{file}: holds what ends or opens a script in HTML")
        return cls(file, imports, exports, body.strip("\n"))


def _names(file: str, listed: str) -> Iterator[tuple[str, str]]:
    """Give the names between braces, each with the name that it gets."""
    for part in filter(None, (part.strip() for part in listed.split(","))):
        match = _NAME.fullmatch(part)
        if match is None:
            raise ValueError(f"{file}: cannot join the name {part!r}")
        yield match[1], match[2] or match[1]


def _packaged(file: str) -> str:
    return asset("vinemap", file)


def modules_of(entry: str, read: Callable[[str], str] = _packaged) -> list[Module]:
    """Return a script's modules, each after all those that it imports from.

    Parameters
    ----------
    entry : str
        Path of the file that starts the page, inside the package.
    read : callable
        Gives a file's text by its path.

    Raises
    ------
    ValueError
        When modules import from each other in a circle, or a file or an imported name is not there.
    """
    ordered: dict[str, Module] = {}

    def visit(file: str, above: tuple[str, ...]) -> None:
        if file in above:
            raise ValueError(f"circle of imports: {' > '.join([*above[above.index(file) :], file])}")
        if file in ordered:
            return
        try:
            text = read(file)
        except (OSError, KeyError) as error:
            raise ValueError(f"{above[-1] if above else 'the page'} imports {file}, which is not there") from error
        module = Module.parsed(file, text)
        for source, names in module.imports:
            visit(source, (*above, file))
            if missing := set(names.values()) - ordered[source].exports.keys():
                raise ValueError(f"{file} imports {', '.join(sorted(missing))}, which {source} does not export")
        ordered[file] = module

    visit(entry, ())
    return list(ordered.values())


def joined(entry: str, read: Callable[[str], str] = _packaged) -> str:
    r"""Return one script that does what the browser would do with the modules that ``entry`` imports.

    Parameters
    ----------
    entry : str
        Path of the file that starts the page, inside the package.
    read : callable
        Gives a file's text by its path.

    Raises
    ------
    ValueError
        As `modules_of` and `Module.parsed` do.

    Examples
    --------
    >>> from vinemap.web.modules import joined
    >>> files = {"a.js": 'import { one } from "./b.js";\nalert(one);\n', "b.js": "export const one = 1;\n"}
    >>> print(joined("a.js", files.__getitem__))
    (function () {
    "use strict";
    const module0 = (() => { // b.js
    const one = 1;
    return { one };
    })();
    (() => { // a.js
    const { one } = module0;
    alert(one);
    })();
    })();
    <BLANKLINE>
    """
    modules = modules_of(entry, read)
    number = {module.file: place for place, module in enumerate(modules)}
    parts = [_scoped(module, number) for module in modules]
    # A function of its own, not an arrow: in modules `this` is undefined.
    return "\n".join(['(function () {\n"use strict";', *parts, "})();\n"])


def _scoped(module: Module, number: dict[str, int]) -> str:
    """Put a module into a function: what it imports comes in by name, what it exports goes out."""
    lines = [
        f"const {_object((there, here) for here, there in names.items())} = module{number[source]};"
        for source, names in module.imports
        if names
    ]
    lines.append(module.body)
    opening = "(() => {"
    if module.exports:
        lines.append(f"return {_object(module.exports.items())};")
        opening = f"const module{number[module.file]} = {opening}"
    return "\n".join([f"{opening} // {module.file}", *lines, "})();"])


def _object(pairs: Iterable[tuple[str, str]]) -> str:
    return "{ " + ", ".join(key if key == value else f"{key}: {value}" for key, value in pairs) + " }"
