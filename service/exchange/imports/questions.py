"""What a file does not tell is asked; answers given so far are taken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Question:
    """What the file does not tell.

    Attributes
    ----------
    key : str
        What the answer is given by, as ``time.zone`` or ``column: Temp 2``.
    suggested : str
        What the file speaks for; empty if nothing does.
    choices : tuple of str
        All possible answers; empty if it can be anything.
    """

    key: str
    text: str
    suggested: str = ""
    choices: tuple[str, ...] = ()


class Questions:
    """The answers to questions about one file, and what is still to be asked.

    Attributes
    ----------
    answers : mapping of str to str
        By the key of their question.
    asked : list of Question
        All of them, with those that are answered.
    """

    def __init__(self, answers: Mapping[str, str]) -> None:
        self.answers = answers
        self.open: list[Question] = []
        self.asked: list[Question] = []

    def ask(self, key: str, text: str, suggested: str = "", choices: tuple[str, ...] = ()) -> str | None:
        """Return the answer to a question, None if it is not answered yet; it is then asked."""
        self.asked.append(Question(key, text, suggested, choices))
        given = self.answers.get(key)
        if given is not None and (not choices or given in choices):
            return given
        if given is not None:
            text = f"{text} {given!r} is none of {', '.join(choices)}."
        self.asked[-1] = Question(key, text, suggested, choices)
        self.open.append(self.asked[-1])
        return None
