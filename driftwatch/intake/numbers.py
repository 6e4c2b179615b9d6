"""How a file writes numbers: decimal sign and thousands separators, found from all of its numbers.

A number with one separator and three digits behind it (`64,200`) can be two things. What the file's other
numbers, or its delimiter, say decides for all of them, and a note tells how they were read.
"""

from __future__ import annotations

from collections.abc import Iterable

import pyarrow as pa
import pyarrow.compute as pc

#: Decimal signs. With `point`, a comma between groups of three digits separates thousands.
POINT, COMMA = "point", "comma"
DECIMALS = (POINT, COMMA)

#: Blanks and apostrophes between groups of three digits separate thousands, whatever the decimal sign.
_GROUPS = r"[ \x{a0}\x{202f}\x{2009}'’]"
_SIGN = r"^[+-]?"
#: Numbers that can only be written with a decimal comma: not three digits behind it, or points before it.
_ONLY_COMMA = _SIGN + r"(\d*,\d{1,2}|\d*,\d{4,}|0*,\d+|\d{1,3}(\.\d{3})+,\d*)$"
#: The same with a decimal point.
_ONLY_POINT = _SIGN + r"(\d*\.\d{1,2}|\d*\.\d{4,}|0*\.\d+|\d{1,3}(,\d{3})+\.\d*)$"
#: A decimal comma or a thousands separator.
_EITHER_COMMA = _SIGN + r"[1-9]\d{0,2},\d{3}$"
_EITHER_POINT = _SIGN + r"[1-9]\d{0,2}\.\d{3}$"


def decimal_of(columns: Iterable[pa.ChunkedArray], delimiter: str) -> tuple[str, str]:
    """Say how numbers are written, and what the user should know of it.

    Parameters
    ----------
    columns : iterable of columns
        All that hold numbers; as texts, or as numbers of a dictionary of texts.
    delimiter : str
        Of the file. Between fields that are cut by commas, a comma is never the decimal sign.

    Returns
    -------
    decimal : str
        "point" or "comma".
    note : str
        How numbers were read that could be two things; "" if there are none.

    """
    texts = [text for column in columns for text in _with_separator(column)]
    commas = [text for text in texts if pc.any(pc.match_substring(text, ",")).as_py()]
    if not commas:
        sample = _first(texts, _EITHER_POINT) if delimiter == ";" and not _any(texts, _ONLY_POINT) else ""
        return POINT, _note(sample, comma=False) if sample else ""
    comma = delimiter != "," and (_any(commas, _ONLY_COMMA) or not _any(texts, _ONLY_POINT))
    sample = _first(texts, _EITHER_COMMA)
    if comma and not sample:
        sample = _first(texts, _EITHER_POINT) if _any(commas, _ONLY_COMMA) else ""
    return (COMMA if comma else POINT), (_note(sample, comma=comma) if sample else "")


def _note(sample: str, *, comma: bool) -> str:
    is_decimal = comma == ("," in sample)
    meant = sample.replace(",", ".") if is_decimal else sample.replace(",", "").replace(".", "")
    return f"numbers such as {sample} are read as {meant}; --decimal says it where that is wrong"


def _with_separator(column: pa.ChunkedArray) -> list[pa.Array]:
    """Give the texts of a column that hold a point or a comma; of a dictionary, each text once."""
    parts = [c.dictionary if pa.types.is_dictionary(column.type) else c for c in column.chunks]
    if pa.types.is_dictionary(column.type):
        parts = parts[:1]
    found = []
    for part in parts:
        text = pc.utf8_trim_whitespace(part)
        has = pc.or_(pc.match_substring(text, ","), pc.match_substring(text, "."))
        found.append(text.filter(has))
    return found


def _any(texts: list[pa.Array], pattern: str) -> bool:
    return any(bool(pc.any(pc.match_substring_regex(text, pattern)).as_py()) for text in texts)


def _first(texts: list[pa.Array], pattern: str) -> str:
    for text in texts:
        found = text.filter(pc.match_substring_regex(text, pattern))
        if len(found):
            return str(found[0].as_py())
    return ""


def number_sql(text: str, decimal: str) -> str:
    """SQL: the number that a text stands for, NULL if it is none (also for `nan`, `inf`, `1_000`, `0x10`)."""
    groups = _GROUPS.replace("'", "''")
    bare = f"regexp_replace({text}, '(\\d){groups}(\\d{{3}})', '\\1\\2', 'g')"
    # Twice, as neighbouring groups share a digit.
    bare = f"regexp_replace({bare}, '(\\d){groups}(\\d{{3}})', '\\1\\2', 'g')"
    plain = f"regexp_full_match({text}, '[+-]?(\\d+\\.?\\d*|\\.\\d+)([eE][+-]?\\d{{1,3}})?')"
    grouped, decimals = (",", ".") if decimal == POINT else (".", ",")
    in_groups = f"[+-]?\\d{{1,3}}({_escaped(grouped)}\\d{{3}})+({_escaped(decimals)}\\d*)?"
    simple = f"[+-]?\\d*{_escaped(decimals)}?\\d*([eE][+-]?\\d{{1,3}})?"
    spaced = f"[+-]?\\d{{1,3}}({groups}\\d{{3}})+({_escaped(decimals)}\\d*)?"
    cases = [
        f"WHEN regexp_full_match({text}, '{in_groups}') "
        f"THEN replace(replace({text}, '{grouped}', ''), '{decimals}', '.')",
        f"WHEN regexp_full_match({text}, '{simple}') THEN replace({text}, '{decimals}', '.')",
        f"WHEN regexp_full_match({text}, '{spaced}') THEN replace({bare}, '{decimals}', '.')",
    ]
    if decimal == COMMA:
        # A point that is no group of three can only be a decimal point; so can one behind a leading zero.
        in_threes = f"regexp_full_match({text}, '[+-]?[1-9]\\d{{0,2}}(\\.\\d{{3}})+')"
        cases.insert(0, f"WHEN {plain} AND NOT {in_threes} THEN {text}")
    slow = _finite(f"TRY_CAST(CASE {' '.join(cases)} END AS DOUBLE)")
    if decimal == COMMA:
        return slow
    # Nearly all numbers are of the plain kind, which the cast alone can read; it would also take `1_000`.
    quick = f"CASE WHEN NOT contains({text}, '_') THEN {_finite(f'TRY_CAST({text} AS DOUBLE)')} END"
    return f"coalesce({quick}, {slow})"


def _finite(number: str) -> str:
    return f"CASE WHEN isfinite({number}) THEN {number} END"


def _escaped(sign: str) -> str:
    return f"\\{sign}"
