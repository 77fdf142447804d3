"""Which column of a log holds which signal, told from the header alone.

Its words are looked up as a whole name, as a set, then with one slip of the pen forgiven.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from tuning.logs import units as _log_units
from tuning.logs.signals import BY_NAME, OTHER_WORDS, SAME_WORD, SIGNALS, Signal


@dataclass(frozen=True)
class Choice:
    """One column (from 0) taken for one signal, its written unit ('' for none), and how it was recognised."""

    column: int
    signal: Signal
    unit: str
    how: str
    also: tuple[int, ...] = ()  # more columns of the same, as of loads that are switched


_Candidate = tuple[tuple[int, int], Choice]
"""How well a column fits a signal, smaller is better, and the choice."""


@dataclass(frozen=True)
class _Reading:
    """A header split into words and unit."""

    words: tuple[str, ...]
    unit: str
    bracketed: bool = False


# Ranks of ways to recognise a name; the user's own mapping comes before all.
_OWN, _STANDARD, _PHRASE, _WORDS, _SLIP = range(5)
_HOW = {_OWN: "our own name", _STANDARD: "SAE J1979 name", _PHRASE: "plain name", _WORDS: "words in the name"}


def choose_columns(
    headers: Sequence[str], units: Sequence[str], wanted: Mapping[str, tuple[int, str] | None]
) -> tuple[dict[str, Choice], list[str]]:
    """Choose at most one column for each signal."""
    row = [*units, *[""] * (len(headers) - len(units))]
    choices: dict[str, Choice] = {}
    for name, given in wanted.items():
        if given is not None:
            at, unit = given
            unit = unit or written_unit(headers[at], row[at])
            choices[name] = Choice(at, BY_NAME[name], unit, "given by you")
    taken = {choice.column for choice in choices.values()}
    candidates: list[_Candidate] = []
    notes: list[str] = []
    for at, header in enumerate(headers):
        if at not in taken:
            found, refused = _candidates(at, header, row[at])
            candidates += found
            notes += refused
    for _, choice in sorted(candidates, key=lambda candidate: candidate[0]):
        name, at = choice.signal.name, choice.column
        if name in wanted or at in taken:
            continue
        if name in choices and choice.signal.kind == "switch":
            choices[name] = replace(choices[name], also=(*choices[name].also, at))
            taken.add(at)
            continue
        if name in choices:
            kept = headers[choices[name].column]
            same = "also" if kept != headers[at] else "twice:"
            notes.append(f"{name}: {same} '{headers[at]}', taken from '{kept}'")
            taken.add(at)
            continue
        choices[name] = choice
        taken.add(at)
    ordered = {signal.name: choices[signal.name] for signal in SIGNALS if signal.name in choices}
    return ordered, list(dict.fromkeys(notes))


def is_time_of(header: str, other: str = "") -> bool:
    """Tell whether a header names time, or the time of what another header names."""
    named = {word for reading in _readings(other) for word in reading.words}
    standard, phrases = _PHRASES["time_s"]
    for reading in _readings(header):
        rest = tuple(word for word in reading.words if word not in named)
        if rest in standard or rest in phrases:
            return True
    return False


def count_names(headers: Sequence[str]) -> int:
    """Return how many of these texts are recognised as names, less those that are units only."""
    return sum(bool(_candidates(0, one, "")[0]) and not _log_units.is_known(one) for one in headers)


def written_unit(header: str, unit: str = "") -> str:
    """Return the unit written in a header, else the one in the units row, '' for none."""
    for reading in _readings(header):
        written = _unit_of(reading, unit, "")
        if _log_units.is_written(written):
            return written
    return ""


def find_column(headers: Sequence[str], text: str) -> list[int]:
    """Return the columns a person may mean by a text: exact, else loosely, else without unit."""
    exact = [at for at, header in enumerate(headers) if header == text]
    if exact:
        return exact[:1]
    for simplify in (_loose, lambda one: re.sub(r"\s*[\[({][^\])}]*[\])}]\s*$", "", _loose(one))):
        loose = [at for at, header in enumerate(headers) if simplify(header) == simplify(text)]
        if loose:
            return loose
    return []


def _loose(text: str) -> str:
    return " ".join(text.lower().split())


def _candidates(at: int, header: str, unit: str) -> tuple[list[_Candidate], list[str]]:
    found: list[_Candidate] = []
    refused: list[str] = []
    for signal in SIGNALS:
        for reading in _readings(header):
            rank = _rank(reading.words, signal, header)
            if rank is None:
                continue
            written = _unit_of(reading, unit, signal.kind)
            if signal.kind == "switch" and reading.words == ("load",) and not _log_units.is_written(written):
                continue  # as often a share or a power: only a written unit tells
            problem = _unit_problem(written, signal)
            if problem:
                refused.append(f"'{header}' looks like {signal.name} but {problem}: not used")
                continue
            how = _HOW.get(rank[0]) or f"misspelt, read as '{_mended(reading.words)}'"
            found.append((rank, Choice(at, signal, written, how)))
            break
    return found, [] if found else refused


def _unit_of(reading: _Reading, in_row: str, kind: str) -> str:
    """Return the unit: in brackets, else in the units row, else as a last word, which may be a habit."""
    row = in_row.strip().strip("[](){}").strip()
    if _log_units.is_written(row, kind) and not (
        reading.bracketed and _log_units.is_written(reading.unit, kind)
    ):
        return row
    return reading.unit.strip()


def _unit_problem(unit: str, signal: Signal) -> str:
    if not _log_units.is_written(unit, signal.kind):
        # A load is as often a share of something as a power: only a written unit tells.
        return "has no unit of power" if signal.kind == "power" else ""
    if _log_units.conversion(unit, signal) is None:
        return f"its unit '{unit}' does not turn into {signal.unit}"
    return ""


def _rank(words: tuple[str, ...], signal: Signal, header: str) -> tuple[int, int] | None:
    """Return how well words name a signal, smaller is better; None when they do not."""
    if header.strip().lower() == signal.name.lower():
        return _OWN, 0
    plain = _rank_spelt(words, signal)
    if plain is not None:
        return plain
    mended = _mended(words)
    if mended != " ".join(words):
        again = _rank_spelt(tuple(mended.split()), signal)
        if again is not None:
            return _SLIP, again[0] * 100 + again[1]
    return None


def _rank_spelt(words: tuple[str, ...], signal: Signal) -> tuple[int, int] | None:
    standard, phrases = _PHRASES[signal.name]
    if words in standard:
        # A run-time counter ticks in whole seconds, so a finer time column goes before it.
        late = len(phrases) if signal.kind == "time" else 0
        return (_PHRASE, late) if late else (_STANDARD, standard.index(words))
    if words in phrases:
        return _PHRASE, phrases.index(words)
    if signal.never.intersection(words):
        return None
    for place, needed in enumerate(signal.words):
        if needed.issubset(words):
            return _WORDS, place * 10 + len(words) - len(needed)
    return None


def _readings(header: str) -> list[_Reading]:
    """Return the ways to split a header into words and unit, the one with a unit first."""
    text = unicodedata.normalize("NFKC", header).strip().strip("'\"").strip()
    bracket = re.fullmatch(r"(.*?)[\s_]*[\[({]([^\])}]*)[\])}]\s*", text)
    if bracket:
        base, unit = bracket.group(1), bracket.group(2).strip()
        plain = _Reading(_words(base), unit, bracketed=True)
        if _log_units.is_known(unit) or not _log_units.is_written(unit):
            return [plain]
        return [plain, _Reading(_words(f"{base} {unit}"), "")]
    readings: list[_Reading] = []
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", text)
    slashed = re.sub(r"(?<=\w)\s*/\s*(?=[^\d\s/]{1,5}$)", " ", text)
    for form in (text, spaced, slashed):
        pieces = re.split(r"[\s_,;]+", form)
        for count in (2, 1):
            unit = " ".join(pieces[-count:])
            if len(pieces) > count and _log_units.is_known(unit):
                base = " ".join(pieces[:-count])
                readings.append(_Reading(_words(base), unit))
                break
    if _log_units.is_of_kind(text, "speed"):
        readings.append(_Reading(("rpm",), text))
    return [*readings, _Reading(_words(spaced), "")]


_BARE = str.maketrans({"ı": "i", "ł": "l", "ø": "o", "đ": "d", "æ": "ae"})
"""Letters that stay when accents are taken off."""


def _words(text: str) -> tuple[str, ...]:
    """Return the words of a name: lower case, no accents, one word for all that mean the same."""
    bare = unicodedata.normalize("NFKD", re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", text)).casefold()
    bare = "".join(c for c in bare.translate(_BARE) if not unicodedata.combining(c))
    words = re.findall(r"[^\W\d_]+|\d+", bare)
    return tuple(word for word in (SAME_WORD.get(w, w) for w in words) if word)


_PHRASES = {
    signal.name: ([_words(p) for p in signal.standard], [_words(p) for p in signal.phrases])
    for signal in SIGNALS
}


def _vocabulary() -> frozenset[str]:
    named = [words for pair in _PHRASES.values() for phrases in pair for words in phrases]
    sets = [words for one in SIGNALS for words in (*one.words, one.never)]
    return frozenset().union(SAME_WORD, OTHER_WORDS, *named, *sets)


_KNOWN = _vocabulary()


def _mended(words: tuple[str, ...]) -> str:
    """Return the words with one slip of the pen in a word put right, where only one word fits."""
    most = 12  # what has more is a text and no name; each word is held against all that are known
    return " ".join(words if len(words) > most else map(_mend, words))


@lru_cache(maxsize=4096)
def _mend(word: str) -> str:
    # One sign more or less is another word where signs are words.
    if len(word) < 4 or word in _KNOWN or word.upper() == word:
        return word
    near = sorted({SAME_WORD.get(known, known) for known in _KNOWN if _one_slip(word, known)} - {""})
    ours = [known for known in near if known not in OTHER_WORDS]
    return ours[0] if len(ours) == 1 else word


def _one_slip(word: str, known: str) -> bool:
    """Tell whether one letter is wrong, missing, added or swapped with its neighbour."""
    if len(known) < 4 or abs(len(word) - len(known)) > 1:
        return False
    if len(word) == len(known):
        wrong = [at for at, (a, b) in enumerate(zip(word, known, strict=True)) if a != b]
        pair = slice(wrong[0], wrong[0] + 2)
        return len(wrong) == 1 or (len(wrong) == 2 and word[pair] == known[pair][::-1])
    short, long = sorted((word, known), key=len)
    if len(short) < 4:
        return False
    return any(long[:at] + long[at + 1 :] == short for at in range(len(long)))
