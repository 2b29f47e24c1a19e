"""Pictures of the cut-out cards and tags for a renderer: one PNG each, and cards.json.

    python benchmarks/export_card_pictures.py FOLDER

The PNG fills the paper exactly, 20 pixels a millimetre.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
from collections.abc import Sequence
from pathlib import Path

import pypdfium2
from PIL import Image

from spilemark.card_face import card_face, card_size_mm
from spilemark.cards import Card, shop_cards
from spilemark.ink import Mark, Sheet
from spilemark.ink_files import PT_PER_MM, pdf_bytes
from spilemark.tag_face import tag_face
from spilemark.tags import TAG_HEIGHT_MM, TAG_WIDTH_MM, tags_free_of

PX_PER_MM = 20


def picture(name: str, size_mm: tuple[float, float], marks: Sequence[Mark]) -> Image.Image:
    """A cut-out paper, grey."""
    width, height = size_mm
    sheet = Sheet(title=name, width_mm=width, height_mm=height, marks=tuple(marks))
    document = pypdfium2.PdfDocument(pdf_bytes([sheet], name))
    # pdfium rounds the page up to whole pixels and stretches to fill them: stay just below.
    scale = PX_PER_MM / PT_PER_MM * (1 - 1e-6)
    made = document[0].render(scale=scale, grayscale=True).to_pil()
    if made.size != (round(width * PX_PER_MM), round(height * PX_PER_MM)):
        raise AssertionError(f"{name} came out at {made.size} pixels")
    return made


def export(folder: Path) -> None:
    """Write all built-in cards and tags, and their list."""
    folder.mkdir(parents=True, exist_ok=True)
    cards = shop_cards()
    entries = []
    papers: list[tuple[Card, tuple[float, float], Sequence[Mark], str]] = [
        *((card, card_size_mm(card), card_face(card), "any") for card in cards.cards),
        *(
            (tag.board, (TAG_WIDTH_MM, TAG_HEIGHT_MM), tag_face(tag), "face")
            for tag in tags_free_of(cards.dictionary, cards.cards)
        ),
    ]
    for board, size, marks, where in papers:
        file = f"{board.name.replace(' ', '_')}.png"
        picture(board.name, size, marks).save(folder / file)
        entries.append(
            {
                "id": board.name,
                "png": file,
                "width_mm": size[0],
                "height_mm": size[1],
                "where": where,
                "bar_nominal_mm": 100.0,
                "board": dataclasses.asdict(board),
            }
        )
    words = {"name": cards.name, "dictionary": cards.dictionary, "cards": entries}
    (folder / "cards.json").write_text(json.dumps(words, indent=1) + "\n", encoding="utf-8")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    export(parser.parse_args().folder)


if __name__ == "__main__":
    main()
