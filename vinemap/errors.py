"""Every error that vinemap raises on purpose, under one base class."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from vinemap.sentences import Listed, Sentence


class VinemapError(Exception):
    """Base class of the errors that vinemap raises on purpose.

    Parameters
    ----------
    sentence : Sentence
        What is wrong and, where the error has no problems of its own, what to do.

    Attributes
    ----------
    sentence : Sentence
    """

    def __init__(self, sentence: Sentence) -> None:
        super().__init__(sentence)
        self.sentence = sentence


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
    message : Sentence
        What is wrong, with the offending value; no full stop.
    remedy : Sentence
        What to do; no full stop.
    """

    file: str
    row: int | None
    column: str
    message: Sentence
    remedy: Sentence

    @property
    def sentence(self) -> Sentence:
        """``file:row: column: what is wrong; what to do``."""
        row = "" if self.row is None else f":{self.row}"
        column = f": {self.column}" if self.column else ""
        where = f"{self.file}{row}{column}"
        return Sentence("fault.of_what", what=where, message=self.message, remedy=self.remedy)

    def __str__(self) -> str:
        """Return the sentence in English."""
        return str(self.sentence)


class InputError(VinemapError):
    """The vineyard folder cannot be used as it stands; carries every problem found.

    Parameters
    ----------
    problems : iterable of Problem
        At least one.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = list(dict.fromkeys(problems))
        lines = Listed((problem.sentence for problem in self.problems), between="\n", most=None)
        super().__init__(Sentence("fault.lines", lines=lines))


class BusyError(InputError):
    """Another run holds the output folder; it will be free in a while."""


class TooFewSamplesError(VinemapError):
    """The samples cannot carry the figure that was asked for."""


class RefusedError(VinemapError):
    """A file is not given to the libraries that read it.

    Parameters
    ----------
    message, remedy : Sentence
        What is wrong and what to do, as a `Problem` has them.
    row : int, optional
        Of the feature at fault, as an attribute table under its header numbers it.
    column : str
        Of its property at fault.
    """

    def __init__(self, message: Sentence, remedy: Sentence, row: int | None = None, column: str = "") -> None:
        super().__init__(message)
        self.message, self.remedy, self.row, self.column = message, remedy, row, column


class FetchError(VinemapError):
    """What was to come over the network did not.

    Parameters
    ----------
    where : str
        The host or the file; a `Sentence` where it is not to be repeated.
    message, remedy : Sentence
        What is wrong with it, and what to do.
    """

    def __init__(self, where: str, message: Sentence, remedy: Sentence) -> None:
        super().__init__(Sentence("fault.of_what", what=where, message=message, remedy=remedy))
        self.where, self.message, self.remedy = where, message, remedy


def system_problem(error: OSError) -> Problem:
    """Return what the system refused, as a problem of the file that it names."""
    reason = error.strerror or Sentence("fault.system.unknown")
    what = Sentence("fault.as_said", text=reason)
    return Problem(str(error.filename), None, "", what, Sentence("remedy.system"))


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

    def problem(self, file: str, row: int | None, column: str, message: Sentence, remedy: Sentence) -> None:
        """Add a problem; the arguments are those of `Problem`."""
        self.problems.append(Problem(file, row, column, message, remedy))

    def warn(self, sentence: Sentence) -> None:
        """Add a warning."""
        self.warnings.append(sentence)

    def refuse(self) -> None:
        """Raise an `InputError` with all problems, if there are any."""
        if self.problems:
            raise InputError(self.problems)
