"""Checks of our own beside schemathesis's.

Input that the contract's schemas allow may still be refused, because a schema cannot say everything. Here is what those
refusals must look like, and, for those that say "I do not understand", which ones there may be and why.
"""

from typing import Any

import schemathesis
from schemathesis import Case, CheckContext, Response

# A piece of a photo is bytes like any others.
schemathesis.serializer.alias("application/offset+octet-stream", "application/octet-stream")

# A 400 on input that a schema allows: by the code of the fault, why no schema tells.
NOT_SAID_BY_SCHEMAS = {
    "nul-character": "no text holds NUL; said once, for the whole contract",
    "decimal-number": "103.0 is an integer to JSON Schema; here, decimals are texts and numbers are written without a point",
    "integer-too-large": "said once, for the whole contract: no integer above 2^53",
    "lone-surrogate": "half of a character is allowed in JSON's escapes and is no text",
    "invalid-key": "keys of pages are opaque: no pattern tells which of them a list handed out",
    "foreign-key": "keys of pages are opaque: no pattern tells which of them another list handed out",
    "invalid-cursor": "cursors are opaque, and whose they are and what they go with no pattern tells",
    "not-of-a-stream": "whether a list is had by pages or whole is said by Accept, which no parameter's schema knows",
    "not-a-mark": "what a mark may look like depends on all its characters, not on each",
    "not-a-time": "years 1900 to 2199, and only days that exist",
    "time-malformed": "years 1900 to 2199, and only days that exist",
    "unknown-word": "codes of criteria are data (GET /v1/criteria), not words of the contract",
    "unknown-criterion": "codes of criteria are data (GET /v1/criteria), not words of the contract",
    "given-twice": "a schema cannot forbid that a parameter is repeated",
}


# The same where the whole problem is about no field: what it says is enough.
NOT_ABOUT_FIELDS = {
    "invalid-header": "Idempotency-Key is a structured field's text, which no schema of a header says",
    "unsupported-grant-type": "a form may name grants that are not offered; RFC 6749 gives the refusal its own word",
    "invalid-token-request": "forms of RFC 6749: which fields go together depends on how the program proves who it is",
}


@schemathesis.check
def refusal_of_valid_input_says_what_to_mend(ctx: CheckContext, response: Response, case: Case) -> None:
    """Input that the schemas allow is refused only by a rule, and every fault is named with its place."""
    meta = case.meta
    if meta is None or not meta.generation.mode.is_positive or response.status_code not in (400, 422):
        return
    problem: dict[str, Any] = response.json()
    errors: list[dict[str, str]] = problem.get("errors", [])
    assert errors or problem["code"] != "invalid-input", "a refusal without the place of a fault"
    if problem["code"] in NOT_ABOUT_FIELDS:
        return
    if response.status_code == 400:
        unexplained = [error for error in errors if error["code"] not in NOT_SAID_BY_SCHEMAS]
        assert errors and not unexplained, f"valid input was not understood: {unexplained or problem}"
    for error in errors:
        assert error["detail"], "a fault without advice"
        assert error["pointer"] == "" or error["pointer"].startswith("/"), error
