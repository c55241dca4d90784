"""Map winter bud injury across a vineyard and say what to do about it.

The names below are loaded when they are first used, so that ``import vinemap`` and ``vinemap --help`` cost little.
"""

from __future__ import annotations

from importlib import import_module

TYPE_CHECKING = False  # as type checkers know it; the module that defines it takes long to load
if TYPE_CHECKING:
    from vinemap.errors import InputError, Problem, TooFewSamplesError, VinemapError
    from vinemap.pipeline.map_run import MapRun
    from vinemap.pipeline.mapping import make_map
    from vinemap.pipeline.writing import write_map
    from vinemap.reading.vineyard import Vineyard
    from vinemap.reading.vineyard import read_vineyard as read
    from vinemap.settings import Settings

    __version__: str

__all__ = [
    "InputError",
    "MapRun",
    "Problem",
    "Settings",
    "TooFewSamplesError",
    "VinemapError",
    "Vineyard",
    "__version__",
    "make_map",
    "read",
    "write_map",
]

# Public name: the module that defines it, and its name there.
_WHERE = {
    "InputError": ("vinemap.errors", "InputError"),
    "MapRun": ("vinemap.pipeline.map_run", "MapRun"),
    "Problem": ("vinemap.errors", "Problem"),
    "Settings": ("vinemap.settings", "Settings"),
    "TooFewSamplesError": ("vinemap.errors", "TooFewSamplesError"),
    "VinemapError": ("vinemap.errors", "VinemapError"),
    "Vineyard": ("vinemap.reading.vineyard", "Vineyard"),
    "make_map": ("vinemap.pipeline.mapping", "make_map"),
    "read": ("vinemap.reading.vineyard", "read_vineyard"),
    "write_map": ("vinemap.pipeline.writing", "write_map"),
}


def __getattr__(name: str) -> object:
    """Load a public name from the module that defines it, and keep it."""
    if name == "__version__":
        from importlib.metadata import version  # noqa: PLC0415 - slow, and seldom asked for

        value: object = version("vinemap")
    elif name in _WHERE:
        home, own_name = _WHERE[name]
        value = getattr(import_module(home), own_name)
    else:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
