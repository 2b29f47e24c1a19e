"""What is done in a worker process: the same functions as the command line's.

A task is plain data (it crosses a pipe as JSON), and so is what it hands back.
Photos are decoded here and nowhere else.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from spilemark.serve.page_words import plain_words

Told = Callable[[dict[str, Any]], None]
THUMB_PX = 480
LOOK_PX = 4600
"""Longest side of the picture that is looked at: the photo itself up to 16 megapixels or so."""


LEAF_PX = 640
"""Longest side of a first page that is shown beside its paper."""


def warm() -> None:
    """Import what every task needs, before the first one comes."""
    import cv2

    import spilemark.job
    import spilemark.overlay
    import spilemark.report
    import spilemark.template  # noqa: F401

    cv2.setNumThreads(1)
    kitchen()


@cache
def kitchen() -> Any:
    """The shipped recipe, ready to run."""
    from spilemark.recipe import prepare, standard_recipe

    return prepare(standard_recipe())


def measure(task: dict[str, Any], told: Told) -> dict[str, Any]:
    """Measure a job; told of each step."""
    from spilemark.many import Job, run_one

    end = run_one(
        Job(Path(task["file"]), task["part"]),
        Path(task["out"]),
        force=True,
        progress=lambda words: told({"step": words}),
    )
    return {
        "exit_code": end.exit_code,
        "failed": end.failed,
        "words": plain_words(end.words),
        "seconds": round(end.seconds, 2),
    }


def check(task: dict[str, Any], told: Told) -> dict[str, Any]:
    """Say of a photo whether it will do, and make its small pictures."""
    from spilemark.serve.photo_check import verdict_on

    verdict, photo = verdict_on(
        Path(task["photo"]), task["arm"], task["table"], kitchen(), task.get("known", ())
    )
    told({"verdict": verdict})
    if photo is not None:
        pictures(photo, Path(task["pictures"]))
    return {"verdict": verdict}


def pictures(photo: Any, stem: Path) -> None:
    """Write a thumbnail and the picture to look at, upright, with nothing that the camera wrote."""
    import numpy as np
    from PIL import Image

    from spilemark.frames import upright_pixels
    from spilemark.storage import store_files

    pixels = photo.pixels
    if pixels.dtype != np.uint8:
        pixels = (pixels >> 8).astype(np.uint8)
    upright = Image.fromarray(np.ascontiguousarray(upright_pixels(pixels, photo.orientation)))
    stem.parent.mkdir(parents=True, exist_ok=True)
    made = dict[Path, bytes]()
    for name, longest, quality in (("thumb", THUMB_PX, 80), ("look", LOOK_PX, 85)):
        small = upright.copy() if max(upright.size) > longest else upright
        small.thumbnail((longest, longest))
        held = io.BytesIO()
        small.save(held, "JPEG", quality=quality)
        made[stem.with_name(f"{stem.name}.{name}.jpg")] = held.getvalue()
    store_files(made)


def sums(task: dict[str, Any], told: Told) -> dict[str, Any]:  # noqa: ARG001 - one shape for all
    """Try the shop sums on a measured part."""
    from spilemark.serve.sums_tried import tried

    return tried(task)


def put_right(task: dict[str, Any], told: Told) -> dict[str, Any]:  # noqa: ARG001
    """Try what was put right by hand on a measured job."""
    from spilemark.serve.put_right import tried

    return tried(task)


def leaf(task: dict[str, Any], told: Told) -> dict[str, Any]:  # noqa: ARG001
    """Draw the first page of a PDF among the results, and count its pages."""
    import pypdfium2

    from spilemark.storage import store_files

    document = pypdfium2.PdfDocument(Path(task["file"]))
    try:
        first = document[0]
        picture = first.render(scale=LEAF_PX / max(first.get_size()), grayscale=True).to_pil()
        held = io.BytesIO()
        picture.save(held, "PNG", optimize=True)
        path = Path(task["picture"])
        path.parent.mkdir(parents=True, exist_ok=True)
        store_files({path: held.getvalue()})
        return {"pages": len(document)}
    finally:
        document.close()


TASKS: dict[str, Callable[[dict[str, Any], Told], dict[str, Any]]] = {
    "measure": measure,
    "check": check,
    "sums": sums,
    "put right": put_right,
    "leaf": leaf,
}
"""By the name that a task has under "do"."""
