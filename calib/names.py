"""Names of materials in four languages, read whole and made into the English words of the tables.

What is known stands in ``calib/data``: ``safety.csv`` (the English terms), ``names.csv`` (what else
a material is called), ``words.csv`` (words that name no material), ``letters.csv`` (letters that
look like others).
"""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Iterator, Mapping
from functools import cache, lru_cache
from importlib import resources
from itertools import combinations, permutations

Words = tuple[str, ...]

# Kinds of words.csv that don't make a name harmless.
_TELLING = {"substance", "other"}
# Letters between the parts of a German compound.
_BINDERS = ("", "n", "s", "e", "en", "es", "er")
# Endings of German, French and Spanish words, and what stands there in the tables.
_ENDINGS = (("e", ""), ("n", ""), ("en", ""), ("er", ""), ("es", ""), ("a", "o"), ("e", "o"))
# Digits and signs that stand for letters, as in ``p0lyc@rbonate``.
_SIGNS = "0134578@$!¡|"
_SIGNS_AS_LETTERS = (
    str.maketrans(_SIGNS, "oieastbasiii"),
    str.maketrans(_SIGNS, "oleastbaslll"),
)


@cache
def read_table(name: str) -> tuple[dict[str, str], ...]:
    """Rows of ``calib/data/{name}.csv``, column name to text."""
    text = (resources.files("calib") / "data" / f"{name}.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


def row_terms(row: Mapping[str, str], *columns: str) -> list[str]:
    """Terms that stand in the columns of a table's row, separated there by ``|``."""
    return [term for column in columns for term in row[column].split("|") if term]


@cache
def _letters() -> dict[int, str]:
    return {ord(row["letter"]): row["read_as"] for row in read_table("letters")}


def without_accents(text: str) -> str:
    """Small letters without accents, nor marks that take no room such as a soft hyphen."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(c for c in plain if unicodedata.category(c) not in {"Mn", "Me", "Cf"}).casefold()


def _latin(text: str) -> str:
    return without_accents(text).translate(_letters())


# A book names the same few materials again and again.
@lru_cache(maxsize=4096)
def split_words(text: str) -> Words:
    """Words of a material's name, made alike so that typed names and tables can be compared.

    Lower case, no accents, no punctuation, no letters that only look like Latin ones, digits apart
    from letters, letters that were spelled out joined, no plural s.

    Examples
    --------
    >>> split_words("3mm Birch-Plywood (Sheets)")
    ('3', 'mm', 'birch', 'plywood', 'sheet')
    >>> split_words("P.V.C.")
    ('pvc',)
    """
    plain = re.sub(r"(?<=\d)(mm|cm)(?=[^\W\d_])", r"\1 ", _latin(text))
    words = " ".join(re.findall(r"[^\W\d_]+|\d+", plain))
    joined = re.sub(r"\b[^\W\d_](?: [^\W\d_]\b)+", lambda m: m[0].replace(" ", ""), words)
    return tuple(re.sub(r"(?<=..[^s])s$", "", word) for word in joined.split())


@cache
def words_of_kind(*kinds: str) -> frozenset[str]:
    """Words that ``words.csv`` gives one of these kinds."""
    rows = (row for row in read_table("words") if row["kind"] in kinds)
    return frozenset(w for row in rows for t in row_terms(row, "words") for w in term_words(t))


@cache
def harmless_words() -> frozenset[str]:
    """Words that say nothing bad of the material that they stand beside, such as colours."""
    return words_of_kind(*{row["kind"] for row in read_table("words")} - _TELLING)


@cache
def _function_words() -> frozenset[str]:
    row = next(row for row in read_table("words") if row["kind"] == "function")
    return frozenset(row_terms(row, "words"))


def term_words(text: str) -> Words:
    """Words without articles and the like, as `read_name` gives them for a table's own term.

    All of them where nothing else is left.
    """
    words = split_words(text)
    return tuple(word for word in words if word not in _function_words()) or words


@cache
def _names(*, alone: bool) -> dict[Words, Words]:
    """Names to English terms; alone: those that count only by themselves, such as ``V`` for PVC."""
    return {
        term_words(name): term_words(row["english"])
        for row in read_table("names")
        if bool(row["alone"]) == alone
        for name in row_terms(row, "names")
    }


@cache
def _in_english() -> dict[Words, Words]:
    """Every phrase that is known to the English words that stand for it."""
    names = _names(alone=False)
    terms, refused = dict[Words, Words](), set[Words]()
    for row in read_table("safety"):
        own = [term_words(term) for term in row_terms(row, "keyword", "synonyms")]
        terms |= {term: term for term in own}
        refused |= set(own) if row["verdict"] == "refuse" else set()
    # What is refused may stand in any order: a looser match makes a verdict worse, never better.
    turned = {
        order: english
        for name, english in names.items()
        if english in refused and 1 < len(name) < 4 and "".join(name).isalpha()
        for order in permutations(name)
    }
    return turned | names | terms


@cache
def _whole_words() -> frozenset[str]:
    """Words that are never taken apart."""
    return known_words() | {word for phrase in _in_english() for word in phrase}


@cache
def known_words() -> frozenset[str]:
    """Single words that some table knows."""
    kinds = words_of_kind(*(row["kind"] for row in read_table("words")))
    asked = (t for row in read_table("ambiguous") for t in row_terms(row, "words", "refused_with"))
    asking = {words[0] for words in map(term_words, asked) if len(words) == 1}
    return kinds | asking | {words[0] for words in _in_english() if len(words) == 1}


def _spelled_with_signs(text: str) -> str:
    """Put letters for digits and signs inside a word, where that makes a word which is known."""

    def read(found: re.Match[str]) -> str:
        spelled = (found[0].translate(table) for table in _SIGNS_AS_LETTERS)
        return next((word for word in spelled if word in known_words()), found[0])

    # A capital i behind a small letter looks like an l.
    plain = _latin(re.sub(r"(?<=[a-z])I(?![A-Z])", "l", text))
    return re.sub(rf"(?<!\w)[a-z@$][a-z{_SIGNS}]*[a-z]", read, plain)


def _joined(words: Words) -> Words:
    """Join two words that are known only as one, as in ``poly carbonate``."""
    known, out = known_words(), list[str]()
    for word in words:
        pair = (out[-1], word) if out else (word,)
        # The s that the first one lost as a plural, as in ``moos gummi``.
        one = next((w for w in ("".join(pair), "s".join(pair)) if w in known), "")
        if len(pair) > 1 and one and not set(pair) <= known and pair not in _in_english():
            out[-1] = one
        else:
            out.append(word)
    return tuple(out)


def _without_ending(word: str) -> str:
    """The known word that this one is with another ending, else the word itself."""
    bare = (word.removesuffix(end) + put for end, put in _ENDINGS if word.endswith(end))
    return next((w for w in bare if len(w) > 4 and w in _whole_words()), word)


@lru_cache(maxsize=4096)
def _parts(word: str) -> Words:
    """Parts of a compound that are all known, such as ``birken sperrholz platte``."""
    known = known_words()
    for i in range(3, len(word) - 2):
        if (word[:i], word[i:]) in _in_english():
            return word[:i], word[i:]
    for size in range(len(word) - 2, 2, -1):
        if word[:size] not in known:
            continue
        for binder in _BINDERS:
            if not word.startswith(binder, size):
                continue
            rest = word[size + len(binder) :]
            end = rest if rest in known else _without_ending(rest)
            tail = (end,) if len(end) > 2 and end in known else _parts(rest)
            if tail and max(size, *map(len, tail)) > 4:
                return word[:size], *tail
    return ()


@cache
def _longest_phrase() -> int:
    return max(map(len, _in_english()))


def _phrases(words: Words) -> Iterator[Words]:
    """The longest phrases that are known, and single words between them."""
    i = 0
    while i < len(words):
        sizes = range(min(_longest_phrase(), len(words) - i), 1, -1)
        size = next((n for n in sizes if words[i : i + n] in _in_english()), 1)
        yield words[i : i + size]
        i += size


def _translated(words: Words) -> Words:
    return tuple(word for p in _phrases(words) for word in _in_english().get(p, p))


def _typed(text: str) -> Words:
    """Words of a name as they are typed, but for endings and disguises."""
    words = _joined(term_words(_spelled_with_signs(text)))
    return tuple(w if w in _whole_words() else _without_ending(w) for w in words)


def _read(words: Words) -> Words:
    alone = _names(alone=True)
    bare = tuple(w for w in words if (w,) in alone or not _says_nothing(w))
    for names_it in (words, bare):
        if names_it in alone:
            return alone[names_it]
    parts = (part for w in words for part in (() if w in _whole_words() else _parts(w)) or (w,))
    # Twice: words that were translated one by one may be a known phrase.
    return _translated(_translated(tuple(parts)))


# A book names the same few materials again and again.
@lru_cache(maxsize=4096)
def read_name(text: str) -> Words:
    """English words of a name in English, German, French or Spanish; others stay as they are.

    Examples
    --------
    >>> read_name("Birkensperrholzplatte 3mm")
    ('birch', 'plywood', 'sheet', '3', 'mm')
    >>> read_name("contreplaqué de peuplier")
    ('poplar', 'plywood')
    """
    return _read(_typed(text))


def read_closed_up(text: str) -> Words:
    """The same without sizes, colours and the like, which part words that belong together."""
    kept = (p for p in _phrases(_typed(text)) if len(p) > 1 or not _says_nothing(p[0]))
    return _read(tuple(word for phrase in kept for word in phrase))


def taken_apart(text: str) -> Words:
    """Words of a name that no table knows whole, and that are read in parts."""
    return tuple(w for w in _typed(text) if w not in _whole_words() and _parts(w))


@cache
def _says_nothing(word: str) -> bool:
    return word.isdigit() or set(_translated((word,))) <= harmless_words()


def _cuts(word: str, slips: int) -> Iterator[str]:
    """The word with up to so many letters left out."""
    for size in range(slips + 1):
        for kept in combinations(word, len(word) - size):
            yield "".join(kept)


@cache
def _by_cut(slips: int) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for word in known_words():
        if len(word) >= 4 * slips:
            for cut in _cuts(word, slips):
                found.setdefault(cut, set()).add(word)
    return found


def _is_short_slip(typed: str, word: str) -> bool:
    """Whether a word of five letters or fewer may be a slip: most such pairs are two real words."""
    if typed[0] != word[0] or min(len(typed), len(word)) < 4:
        return False
    if sorted(typed) == sorted(word):
        return True
    if max(len(typed), len(word)) < 5:
        return False
    vowels = str.maketrans("", "", "aeiouy")
    one_more = abs(len(typed) - len(word)) == 1
    return one_more or typed.translate(vowels) == word.translate(vowels)


def without_tail(word: str) -> Words:
    """A word that no table knows, and what is left of it without a known word at its end."""
    known = known_words()
    ends = (i for i in range(5, len(word) - 3) if word[i:] in known)
    return word, *(word[:i] for i in ends if word[:i] not in known)


@lru_cache(maxsize=4096)
def meant_by(typed: str) -> tuple[str, ...]:
    """Known words that a word may be a slip of the key for, the fewest slips counting."""
    typed = typed.replace("ph", "f")
    for slips in (1, 2):
        if len(typed) < 4 * slips or len(typed) > 40:
            break
        near = {word for cut in _cuts(typed, slips) for word in _by_cut(slips).get(cut, ())}
        near = {w for w in near if max(len(w), len(typed)) > 5 or _is_short_slip(typed, w)}
        # Two slips that change how a word begins make another word of it.
        if slips == 2:
            near = {w for w in near if w[0] == typed[0] or sorted(w[:2]) == sorted(typed[:2])}
        if near:
            return tuple(sorted(near))
    return ()
