"""The built-in cards and the files that describe other people's."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import cv2
import numpy as np
import pytest

from spilemark.card_face import BITS, marker_codes
from spilemark.card_files import CODES_IN_DICTIONARY, load_card_set
from spilemark.cards import Card, shop_cards
from spilemark.errors import SpilemarkError, UnreadableInput, UsageError
from spilemark.tags import TAGS

FOREIGN = """
name = "lens boards"
dictionary = "DICT_APRILTAG_36h11"
[[card]]
name = "K1"
squares = [9, 3]
square_mm = 18
marker_mm = 13.5
first_id = 80
cross_mm = [81.0, 27.0]
[[card]]
name = "K2"
squares = [9, 2]
square_mm = 12.5
marker_mm = 9.5
first_id = 93
[[batten]]
cards = ["K1", "K2"]
distance_mm = 800.2
sigma_mm = 0.1
measured_on = 2026-05-01
"""


def opencv_board(card: Card, dictionary: str) -> cv2.aruco.CharucoBoard:
    codes = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    ids = np.array(card.marker_ids)
    return cv2.aruco.CharucoBoard(
        (card.columns, card.rows), card.square_mm, card.marker_mm, codes, ids
    )


def load(tmp_path: Path, text: str):
    path = tmp_path / "cards.toml"
    path.write_text(text, encoding="utf-8")
    return load_card_set(path)


def test_at_least_sixteen_cards_with_twenty_crossings_each():
    cards = shop_cards().cards
    assert len({card.name for card in cards}) == len(cards) >= 16
    assert all(len(card.crossings_mm()) >= 20 for card in cards)
    assert all(len(card.name) == 1 and card.name.isupper() for card in cards)
    assert not {"I", "O", "Q"} & {card.name for card in cards}


def test_no_coded_square_stands_on_two_cards():
    printed = [*shop_cards().cards, *(tag.board for tag in TAGS)]
    ids = [marker for board in printed for marker in board.marker_ids]
    assert len(set(ids)) == len(ids)


def test_codes_that_are_drawn_are_opencv_s():
    """OpenCV's own drawing is the outside value; ours is the committed table."""
    codes = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, shop_cards().dictionary))
    assert codes.markerSize == BITS
    drawn = marker_codes()
    printed = [*shop_cards().cards, *(tag.board for tag in TAGS)]
    assert len(drawn) == max(board.marker_ids[-1] for board in printed) + 1
    for marker, bits in enumerate(drawn):
        whole = cv2.aruco.generateImageMarker(codes, marker, BITS + 2) // 255
        assert whole.sum() == whole[1:-1, 1:-1].sum()
        assert bits == "".join(str(bit) for bit in whole[1:-1, 1:-1].ravel())


@pytest.mark.parametrize(("columns", "rows"), [(8, 4), (9, 3), (9, 2), (6, 3), (5, 7), (3, 2)])
def test_a_card_is_the_board_that_opencv_means(columns, rows):
    """Crossings and coded squares of cv2.aruco.CharucoBoard, even and odd row counts."""
    card = Card(name="X", columns=columns, rows=rows, square_mm=15.0, marker_mm=11.0, first_id=7)
    board = opencv_board(card, "DICT_5X5_1000")
    np.testing.assert_allclose(
        np.asarray(board.getChessboardCorners())[:, :2], card.crossings_mm(), atol=1e-4
    )
    assert list(np.ravel(board.getIds())) == [marker for marker, _, _ in card.marker_squares()]
    assert list(card.marker_ids) == [marker for marker, _, _ in card.marker_squares()]
    middles = np.asarray(board.getObjPoints()).reshape(-1, 4, 3)[:, :, :2].mean(axis=1)
    ours = [((c + 0.5) * 15.0, (r + 0.5) * 15.0) for _, c, r in card.marker_squares()]
    np.testing.assert_allclose(middles, ours, atol=1e-4)


def test_dictionaries_are_all_that_opencv_has():
    names = {name for name in dir(cv2.aruco) if name.startswith("DICT_")}
    by_folded = {name.upper() for name in names}
    assert by_folded == {name.upper() for name in CODES_IN_DICTIONARY}
    for name, count in CODES_IN_DICTIONARY.items():
        codes = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))
        assert codes.bytesList.shape[0] == count


def test_a_foreign_set_is_read_whole(tmp_path):
    cards = load(tmp_path, FOREIGN)
    assert (cards.name, cards.dictionary) == ("lens boards", "DICT_APRILTAG_36h11")
    one, other = cards.cards
    assert (one.columns, one.rows, one.square_mm, one.first_id) == (9, 3, 18.0, 80)
    assert one.marker_ids == range(80, 93)  # 13 white squares of 27
    assert (other.rows, other.tape_cross_mm) == (2, (56.25, 12.5))
    (batten,) = cards.battens
    assert (batten.cards, batten.distance_mm, batten.sigma_mm) == (("K1", "K2"), 800.2, 0.1)
    assert batten.measured_on == dt.date(2026, 5, 1)
    assert cards.card("K2") is other


def test_a_batten_of_our_own_cards_needs_no_list_of_them(tmp_path):
    cards = load(tmp_path, '[[batten]]\ncards = ["A", "H"]\ndistance_mm = 742.5\nsigma_mm = 0.1\n')
    assert cards.cards == shop_cards().cards
    assert cards.dictionary == shop_cards().dictionary
    assert cards.battens[0].cards == ("A", "H")


def test_a_byte_order_mark_and_any_capitals_are_forgiven(tmp_path):
    cards = load(tmp_path, "\ufeff" + FOREIGN.replace("36h11", "36H11"))
    assert cards.dictionary == "DICT_APRILTAG_36h11"


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        ("square_mm = 18", "squre_mm = 18", ['"squre_mm"', '"K1"', 'Did you mean "square_mm"']),
        ("[[batten]]", "[[baton]]", ['"baton"', "batten"]),
        ("dictionary =", "dictionnary =", ['"dictionnary"', 'Did you mean "dictionary"']),
        ("sigma_mm = 0.1", "sgima_mm = 0.1", ['"sgima_mm"', "[[batten]] number 1"]),
        ("first_id = 93", "", ["first_id", '"K2"']),
        ("first_id = 93", "first_id = 92", ['"K1" and "K2"', "id 92", "80 to 92"]),
        ("first_id = 93", "first_id = 580", ['"K2"', "580 to 588", "ends at 586"]),
        ("first_id = 93", "first_id = -1", ["first_id", '"K2"']),
        ("first_id = 93", 'first_id = "93"', ["first_id", "whole number"]),
        ('"K2"\nsq', '"K1"\nsq', ['two cards named "K1"']),
        ('"K2"\nsq', '"K=2"\nsq', ['"K=2"']),
        ("36h11", "36h12", ["36h12", "36h11"]),
        ("marker_mm = 9.5", "marker_mm = 12.5", ['"K2"', "marker_mm = 12.5", "square_mm = 12.5"]),
        ("marker_mm = 9.5", "marker_mm = nan", ["marker_mm"]),
        ("square_mm = 12.5", "square_mm = inf", ["square_mm"]),
        ("square_mm = 12.5", "square_mm = -12.5", ["square_mm"]),
        ("[9, 2]", "[2, 2]", ['"K2"', "[2, 2]"]),
        ("[9, 2]", "[9]", ["squares", '"K2"']),
        ("[9, 2]", "[9.5, 2]", ["squares", '"K2"']),
        ('["K1", "K2"]', '["K1", "K3"]', ['"K3"', "K1, K2"]),
        ('["K1", "K2"]', '["K1", "K1"]', ['"K1" twice']),
        ("sigma_mm = 0.1", "sigma_mm = 0", ["sigma_mm"]),
        ("sigma_mm = 0.1", "sigma_mm = 100", ["sigma_mm = 100"]),
        ("measured_on = 2026-05-01", 'measured_on = "spring"', ["measured_on"]),
    ],
)
def test_a_slip_is_named(tmp_path, right, wrong, words):
    assert FOREIGN.count(right) == 1
    with pytest.raises(UsageError) as caught:
        load(tmp_path, FOREIGN.replace(right, wrong))
    assert caught.value.exit_code == 2
    assert caught.value.todo
    for word in (*words, "cards.toml"):
        assert word in str(caught.value)


@pytest.mark.parametrize(
    "text",
    ["", 'name = "x"', 'dictionary = "DICT_5X5_50"', FOREIGN + FOREIGN[FOREIGN.index("[[b") :]],
)
def test_a_set_that_says_too_little_or_the_same_twice(tmp_path, text):
    with pytest.raises(UsageError):
        load(tmp_path, text)


@pytest.mark.parametrize("content", [b"name = \xff\xfe", b"name =", b'name = "a"\nname = "b"'])
def test_what_is_not_toml_is_unreadable(tmp_path, content):
    path = tmp_path / "cards.toml"
    path.write_bytes(content)
    with pytest.raises(UnreadableInput, match=r"cards\.toml"):
        load_card_set(path)


def test_a_missing_file_is_unreadable(tmp_path):
    with pytest.raises(SpilemarkError) as caught:
        load_card_set(tmp_path / "none.toml")
    assert caught.value.exit_code == 3
