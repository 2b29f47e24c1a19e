"""Notes and errors in the words of the page, where they name options of the command line."""

from __future__ import annotations

import re

_LOOK_BOW = 'Say it on Look: choose "says where the bow is".'
_LOOK_LINE = 'Set it on Look: choose "sets the pencil line".'
_FACE_DOWN = "choose on Look, at its photo, that its face lies down"
_SAYINGS: tuple[tuple[str, str], ...] = (
    # The bow, the line and the face are told on Look.
    ((r"Give each side its own photo with --port and --starboard, or point to the bow with "
      r"--forward \S+"), "Give each side its own photo, under Port and under Starboard."),
    ((r"Point (?:to the bow|towards the bow end of the line):? (?:with )?--forward \S+ in pixels "
      r"of the photo as you see it upright\."), _LOOK_BOW),
    (r"The point given with --forward lies", "The bow that you pointed to lies"),
    (r"Leave --forward away if", 'Press "Find the bow again" on Look if'),
    (r"Point at it with --centreline\.", _LOOK_LINE),
    (r"If there is a line, give its ends: --centreline \S+",
     'If there is a line, set it on Look: choose "sets the pencil line".'),
    (r"Give both its ends in pixels of the first photo as you see it upright: --centreline \S+",
     _LOOK_LINE),
    (r", or point to the right one with --centreline \S+", "."),
    (r"You said --face [^\s:]+:([^,]+), but", r"You said that the face in the photo lies \1, but"),
    (r"Leave --face away if the tag is right\.",
     "If the tag is right, choose the face on Look as it says."),
    (r"say --face starboard:down or port:down", _FACE_DOWN),
    # Photos are put in under a side.
    (r"give the photo with --both", 'give the photo under "Both sides in one photo"'),
    (r"Use --both\.", 'Put it in under "Both sides in one photo".'),
    (r"Name one with --port, --starboard or --single\.", "Put one in on Photos."),
    (r"Give the photo with --port, --starboard or --single instead\.",
     "Put the photo in under the side that it shows instead."),
    (r"The photo was given with --(port|starboard), but", r"The photo was put in under \1, but"),
    (r"Give it with --(port|starboard) if", r"Put it in under \1 if"),
    (r"its own photo with --port and --starboard", "its own photo, under Port and under Starboard"),
    # Tags are left out by hand: the page has no switch for that.
    (r"photograph again, or leave (?:all tags|them) out: --tags ignore",
     "photograph again, or without any tags"),
    (r", or leave all tags out: --tags ignore", ", or all tags"),
    # What stands on the job sheet.
    (r"Say --cards-on pattern ", "Choose on the job sheet that the cards lie on the pattern "),
    (r"Leave --cards-on away, or say --cards-on bench\.",
     "Choose on the job sheet that the cards lie on the bench."),
    (r"give --edge cut if", 'choose "the sheet\'s cut edge" on the job sheet if'),
    (r"Give --edge cut if", 'Choose "the sheet\'s cut edge" on the job sheet if'),
    (r"Say --edge scribed if (.*), --edge cut if not\.",
     'Choose on the job sheet "a line drawn on the sheet" if \\1, "the sheet\'s cut edge" if not.'),
    (r"run again with the right --thickness",
     "write the right thickness on the job sheet and measure again"),
    (r"Add it, for example --stock 18mm\.",
     'Write it at "Thickness of the part itself", for example 18.'),
    (r": --printed-bar \S+ \(across, along\)", ", across and along"),
    (r"--distance names", "A taped distance names"),
    (r"Say when you measured: --distance .*\)\.",
     "Write it on the job sheet under the side that you taped it for."),
    (r"Names stand in --distance \S+:", "Names stand in distances, as in A-H = 742.5:"),
    (r", such as --tolerance \S+", ", such as 1.5 mm."),
    # What only the file of the job can say.
    (r"name their file with --cards\.", "name their file in job.toml, as cards."),
    (r"the file of --cards may", "the file named as cards in job.toml may"),
    (r"add --scan, and", "write scan = true under its side in job.toml, and"),
    (r"say so with --scan\.", "say so with scan = true under its side in job.toml."),
    (r"Leave out --scan", "Leave out scan = true in job.toml"),
    # Folders are the page's own.
    (r",? or choose (?:an )?--out(?: folder on another disk)?\.", "."),
    (r", or name another file with --file", ""),
    (r"Choose another --out folder, or free space there\.", "Free space there."),
)  # fmt: skip
"""What is said with options, as a pattern, and what the page says in its place."""
_HINT = re.compile(r"\s*\([^()]*--[a-z][^()]*\)")
_ALL = tuple((re.compile(pattern), words) for pattern, words in _SAYINGS)


def plain_words(text: str) -> str:
    """A note or an error as the page says it: what names an option says where that is on the page.

    Hints in brackets that name an option are left out.
    """
    if "--" not in text:
        return text
    for pattern, words in _ALL:
        text = pattern.sub(words, text)
    return _HINT.sub("", text)
