"""Photos of two benches given as photos of one: the same letters, lying elsewhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import surveys

from spilemark.errors import NoScale, UsageError
from spilemark.testing.worlds import World
from spilemark_stages.rectify.observations import Beliefs, PhotoObservation
from spilemark_stages.rectify.same_bench import check_same_bench
from spilemark_stages.rectify.solve import solve

HERE, THERE = (surveys.draw(seed, cards=(6, 6), photos=2, print_scale_sd=0.0) for seed in (41, 77))


def shots(world: World, *names: str) -> list[PhotoObservation]:
    seen = surveys.observe(world)
    return [replace(photo, name=f"port:{name}") for photo, name in zip(seen, names, strict=False)]


def test_photos_of_one_bench_pass_however_they_were_taken() -> None:
    for seed in range(41, 61):
        check_same_bench(surveys.observe(surveys.draw(seed, cards=(4, 8), photos=3)), Beliefs())


def test_the_photo_that_does_not_belong_is_named() -> None:
    photos = [*shots(HERE, "1.jpg", "2.jpg"), *shots(THERE, "stray.jpg")]
    for order in ((0, 1, 2), (2, 0, 1)):
        with pytest.raises(UsageError, match=r"stray\.jpg does not show the bench") as refused:
            check_same_bench([photos[k] for k in order], Beliefs())
        assert "mm apart in" in refused.value.what
        assert "Leave out" in refused.value.todo


def test_of_two_photos_neither_is_blamed() -> None:
    photos = [*shots(HERE, "1.jpg"), *shots(THERE, "stray.jpg")]
    with pytest.raises(UsageError, match=r"1\.jpg and stray\.jpg do not show the same bench"):
        check_same_bench(photos, Beliefs())


def test_other_sides_may_be_other_benches() -> None:
    photos = [*shots(HERE, "1.jpg"), *(replace(p, arm="starboard") for p in shots(THERE, "2.jpg"))]
    check_same_bench(photos, Beliefs())


def test_one_card_that_was_moved_is_left_to_the_solve() -> None:
    first, second = shots(HERE, "1.jpg", "2.jpg")
    other = {seen.card.name: seen for seen in shots(THERE, "2.jpg")[0].cards}
    name = next(seen.card.name for seen in second.cards if seen.card.name in other)
    cards = tuple(other[name] if seen.card.name == name else seen for seen in second.cards)
    check_same_bench([first, replace(second, cards=cards)], Beliefs())


def test_what_nothing_fits_is_told_in_words() -> None:
    """Not as a matrix without an inverse."""
    photo = shots(HERE, "1.jpg")[0]
    lost = tuple(
        replace(seen, points_px=np.full_like(seen.points_px, np.nan)) for seen in photo.cards
    )
    second = replace(photo, name="port:2.jpg", cards=lost)
    with pytest.raises(NoScale, match=r"1\.jpg, 2\.jpg cannot be fitted together"):
        solve([photo, second], Beliefs())
