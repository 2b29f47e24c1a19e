"""Signs in letters, for terminals whose code page has none: ± as +-, ° as deg."""

from __future__ import annotations

import codecs
import unicodedata

ERRORS = "spilemark-letters"
"""Name of the way of writing what an encoding has no sign for, as ``str.encode`` takes it."""

_ASCII = str.maketrans(
    {
        "±": "+-",
        "°": " deg",
        "×": "x",
        "–": "-",
        "’": "'",
        "²": "2",
        "−": "-",
        "\u00a0": " ",
        "ß": "ss",
        "\u2044": "/",
        "“": '"',
        "”": '"',
    }
)


def ascii_words(text: str) -> str:
    """The same words for a terminal of any code page: signs in letters, accents left off."""
    plain = unicodedata.normalize("NFKD", text.translate(_ASCII)).translate(_ASCII)
    return "".join(
        letter if letter.isascii() else "?" for letter in plain if not unicodedata.combining(letter)
    )


def _in_letters(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return ascii_words(error.object[error.start : error.end]), error.end


codecs.register_error(ERRORS, _in_letters)
