"""A whole job as one zip file."""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Iterator

from spilemark.serve.entries import Entry

_CHUNK = 256_000


def job_zip(entry: Entry) -> Iterator[bytes]:
    """Job file, photos and results, packed; the photos as they are."""
    # On the disk where it grows large: a job may hold many photos.
    with tempfile.SpooledTemporaryFile(max_size=8_000_000) as held:
        with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED, strict_timestamps=False) as pack:
            pack.write(entry.job.file, entry.job.file.name)
            for photo in entry.photos:
                if photo.path.is_file() and photo.path.parent == entry.folder:
                    pack.write(photo.path, photo.path.name, zipfile.ZIP_STORED)
            for path in entry.files().values():
                pack.write(path, f"{entry.results.name}/{path.name}")
        held.seek(0)
        while chunk := held.read(_CHUNK):
            yield chunk
