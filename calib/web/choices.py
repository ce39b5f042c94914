"""The plain choices that are offered for each thing that is read off a cell."""

from __future__ import annotations

from dataclasses import dataclass

from calib.records import CHAR_WORDS, MARK_WORDS, Operation


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One answer: what is stored, the word on its button, and what tells it from the others."""

    value: str
    word: str
    hint: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One thing that is read off a cell."""

    field: str
    asks: str
    choices: tuple[Choice, ...]


_THROUGH = Question(
    field="through",
    asks="Does it come out?",
    choices=(
        Choice(value="through", word="Falls free", hint="drops or lifts out"),
        Choice(value="hanging", word="Hangs", hint="a push or a knife frees it"),
        Choice(value="no", word="Not cut", hint="holds all round"),
    ),
)


def questions(operation: Operation) -> tuple[Question, ...]:
    """List what is read off each cell of a board.

    Examples
    --------
    >>> [question.field for question in questions("cut")]
    ['through', 'char']
    """
    if operation == "cut":
        return (_THROUGH, _graded("char", "How black is its edge?", CHAR_WORDS))
    return (_graded("mark", "How strong is the mark?", MARK_WORDS),)


def _graded(field: str, asks: str, words: tuple[str, ...]) -> Question:
    return Question(
        field=field,
        asks=asks,
        choices=tuple(_grade(str(grade), said) for grade, said in enumerate(words)),
    )


def _grade(value: str, said: str) -> Choice:
    """Cut the words of a grade into one for the button and a hint."""
    word, _, hint = said.replace(" (", ", ").rstrip(")").partition(", ")
    return Choice(value=value, word=word.capitalize(), hint=hint)
