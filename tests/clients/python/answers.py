"""What an operation answered, read by the generated types."""

from typing import TypeVar

from clampward_client.models import Problem
from clampward_client.types import Response, Unset

T = TypeVar("T")


def succeeded(answer: T | Problem | None) -> T:
    """What an operation answered where it must have succeeded."""
    assert answer is not None and not isinstance(answer, Problem), answer
    return answer


def refused(answer: Response[T | Problem]) -> Problem:
    """The problem with which an operation refused, read by its type."""
    problem = answer.parsed
    assert isinstance(problem, Problem), problem
    assert answer.headers["content-type"] == "application/problem+json"
    assert problem.status == answer.status_code
    return problem


def given(value: T | None | Unset) -> T:
    """A member of an answer that must be there."""
    assert value is not None and not isinstance(value, Unset)
    return value
