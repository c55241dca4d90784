"""Map winter bud injury across a vineyard and say what to do about it."""

from importlib.metadata import version

from vinemap.errors import InputError, VinemapError

__version__ = version("vinemap")
__all__ = ["InputError", "VinemapError", "__version__"]
