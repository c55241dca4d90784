"""Every error that vinemap raises on purpose, under one base class."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from vinemap.sentences import Sentence


class VinemapError(Exception):
    """Base class of the errors that vinemap raises on purpose."""


@dataclass(frozen=True, order=True)
class Problem:
    """One thing that is wrong with the input, and what to do about it.

    Parameters
    ----------
    file : str
        Name of the file, relative to the vineyard folder.
    row : int or None
        Row as a spreadsheet numbers it (header = row 1); None where the whole file is meant.
    column : str
        Name of the column as the file spells it, or "" where none is meant.
    message : str
        What is wrong, with the offending value; no full stop.
    remedy : str
        What to do; no full stop.
    """

    file: str
    row: int | None
    column: str
    message: str
    remedy: str

    def __str__(self) -> str:
        """Return ``file:row: column: what is wrong; what to do``."""
        row = "" if self.row is None else f"{self.row}:"
        column = f" {self.column}:" if self.column else ""
        return f"{self.file}:{row}{column} {self.message}; {self.remedy}"


class InputError(VinemapError):
    """The vineyard folder cannot be used as it stands; carries every problem found.

    Parameters
    ----------
    problems : iterable of Problem
        At least one.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = list(dict.fromkeys(problems))
        super().__init__("\n".join(str(problem) for problem in self.problems))


class BusyError(InputError):
    """Another run holds the output folder; it will be free in a while."""


class TooFewSamplesError(VinemapError):
    """The samples cannot carry the figure that was asked for."""


class RefusedError(VinemapError):
    """A file is not given to the libraries that read it.

    Parameters
    ----------
    message, remedy : str
        What is wrong and what to do, as a `Problem` has them.
    row : int, optional
        Of the feature at fault, as an attribute table under its header numbers it.
    column : str
        Of its property at fault.
    """

    def __init__(self, message: str, remedy: str, row: int | None = None, column: str = "") -> None:
        super().__init__(message)
        self.message, self.remedy, self.row, self.column = message, remedy, row, column


class FetchError(VinemapError):
    """What was to come over the network did not.

    Parameters
    ----------
    where, message, remedy : str
        The host or the file, what is wrong with it, and what to do.
    """

    def __init__(self, where: str, message: str, remedy: str) -> None:
        super().__init__(f"{where}: {message}; {remedy}")
        self.where, self.message, self.remedy = where, message, remedy


@dataclass
class Findings:
    """What reading has found so far: problems that stop the run, warnings that do not.

    Parameters
    ----------
    problems : list of Problem
    warnings : list of Sentence
        Plain sentences with names and numbers.
    """

    problems: list[Problem] = field(default_factory=list)
    warnings: list[Sentence] = field(default_factory=list)

    def problem(self, file: str, row: int | None, column: str, message: str, remedy: str) -> None:
        """Add a problem; the arguments are those of `Problem`."""
        self.problems.append(Problem(file, row, column, message, remedy))

    def warn(self, sentence: Sentence) -> None:
        """Add a warning."""
        self.warnings.append(sentence)
