"""Pictures of the cut-out cards for a renderer: one PNG a card, and cards.json.

    python benchmarks/export_card_pictures.py FOLDER

The PNG fills the paper of the card exactly, 20 pixels a millimetre.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
from pathlib import Path

import pypdfium2
from PIL import Image

from spilemark.card_face import card_face, card_size_mm
from spilemark.cards import Card, shop_cards
from spilemark.ink import Sheet
from spilemark.ink_files import PT_PER_MM, pdf_bytes

PX_PER_MM = 20


def card_picture(card: Card) -> Image.Image:
    """The card's paper, grey."""
    width, height = card_size_mm(card)
    sheet = Sheet(title=card.name, width_mm=width, height_mm=height, marks=card_face(card))
    document = pypdfium2.PdfDocument(pdf_bytes([sheet], card.name))
    # pdfium rounds the page up to whole pixels and stretches to fill them: stay just below.
    scale = PX_PER_MM / PT_PER_MM * (1 - 1e-6)
    picture = document[0].render(scale=scale, grayscale=True).to_pil()
    if picture.size != (round(width * PX_PER_MM), round(height * PX_PER_MM)):
        raise AssertionError(f"card {card.name} came out at {picture.size} pixels")
    return picture


def export(folder: Path) -> None:
    """Write all built-in cards and their list."""
    folder.mkdir(parents=True, exist_ok=True)
    cards = shop_cards()
    entries = []
    for card in cards.cards:
        card_picture(card).save(folder / f"{card.name}.png")
        width, height = card_size_mm(card)
        entries.append(
            {
                "id": card.name,
                "png": f"{card.name}.png",
                "width_mm": width,
                "height_mm": height,
                "where": "any",
                "bar_nominal_mm": 100.0,
                "board": dataclasses.asdict(card),
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
