"""What a file, sheet, column or code may mean, what is proposed, and whether somebody has to be asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from vinemap.sentences import Sentence


@dataclass(frozen=True)
class Choice:
    """One thing that something may mean.

    Attributes
    ----------
    value : str
        What an answer says.
    means : Sentence
        The same in plain words.
    """

    value: str
    means: Sentence


@dataclass(frozen=True)
class Proposal:
    """What something in a file means, or may mean.

    Attributes
    ----------
    key : str
        Of the layout, not of the file's name or the year: next year's file of the same layout has the same key.
    about : Sentence
        What it is about: a file, a sheet, a column, a code.
    choices : tuple of Choice
        What it may mean; a further answer is not taken.
    value : str or None
        The choice that is proposed; None where nothing can be.
    certain : bool
        Whether the proposal stands without being asked for.
    examples : tuple of str
        Up to three rows or cells as the file has them.
    """

    key: str
    about: Sentence
    choices: tuple[Choice, ...]
    value: str | None
    certain: bool
    examples: tuple[str, ...] = ()

    def means(self, value: str | None) -> Sentence | None:
        """Return a choice in plain words; None where there is no such choice."""
        return next((choice.means for choice in self.choices if choice.value == value), None)


def settled(proposal: Proposal, answers: Mapping[str, str]) -> str | None:
    """Return what stands: the answer where it is one of the choices, else what is certain; None where it is open."""
    answer = answers.get(proposal.key)
    if proposal.means(answer) is not None:
        return answer
    return proposal.value if proposal.certain else None


def unanswered(proposals: tuple[Proposal, ...], answers: Mapping[str, str]) -> tuple[Proposal, ...]:
    """Return the proposals that have to be asked."""
    return tuple(proposal for proposal in proposals if settled(proposal, answers) is None)
