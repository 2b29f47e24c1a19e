"""Truth files: what is read, and what a damaged one says."""

import json

import numpy as np
import pytest

from spilemark.errors import UnreadableInput
from spilemark.frames import signed_area
from spilemark.testing.studio_truth import job_facts, load_scenes, outline_px

SQUARE = [[0, 0], [100, 0], [100, 80], [0, 80]]
SCENE = {
    "scene": "plate",
    "pieces": [
        {
            "side": "starboard",
            "kind": "cut",
            "outline_mm": SQUARE[::-1],
            "holes_mm": [[[20, 20], [30, 20], [30, 30], [20, 30]]],
            "centreline_mm": [[0, 70], [0, 10]],
            "corners_mm": {"corner": [100, 0]},
            "thickness_mm": 3.0,
            "pose_on_bench": {"rot_deg": 90.0, "at_mm": [5.0, -50.0], "face_z_mm": 3.0},
        }
    ],
    "photos": [
        {
            "file": "frames/plate_a.jpg",
            "camera": {
                "W": 4000,
                "H": 3000,
                "fx": 3000.0,
                "fy": 3003.0,
                "cx": 2000.0,
                "cy": 1500.0,
                "dist": [0, 0, 0, 0, 0],
                "R": [[1, 0, 0], [0, -1, 0], [0, 0, -1]],
                "t": [0, 0, 903.0],
                "exif_orientation": 6,
            },
        }
    ],
    "cards": [{"card": "A", "on": "bench"}, {"card": "H", "on": "bench"}],
    "print_scale_true": [0.998, 1.001],
    "user_input": {
        "bar_nominal_mm": 50.0,
        "bar_measured_mm": [49.9, 50.05],
        "distances": [{"cards": ["A", "H"], "true_mm": 700.0, "read_mm": 700.2, "sigma_mm": 0.2}],
        "thickness_mm": [3.02],
    },
}


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "truth").mkdir()
    (tmp_path / "truth" / "plate.json").write_text(json.dumps(SCENE), encoding="utf-8")
    return tmp_path


def test_a_scene_is_read_in_our_frames(folder):
    (scene,) = load_scenes(folder)
    outer, hole = scene.pieces[0].rings_mm
    assert signed_area(outer) > 0 > signed_area(hole)
    assert scene.pieces[0].centreline_mm.tolist() == [[0, 10], [0, 70]]
    assert scene.photos[0].path == folder / "frames" / "plate_a.jpg"
    # 900 mm above a 3 mm face, 3000 px: 10/3 px a millimetre; the y axis is fy's.
    seen = outline_px(scene, scene.photos[0])[0]
    assert scene.pieces[0].on_bench(np.array([[100.0, 0.0]])) == pytest.approx(
        np.array([[5.0, 50.0]])
    )
    assert (np.abs(seen - [2000 + 5 / 0.3, 1500 - 50 / 0.3 * 1.001]).sum(1) < 1e-6).any()


def test_the_persons_input_becomes_job_facts(folder):
    (scene,) = load_scenes(folder)
    taped = job_facts(scene)
    assert taped.printed_bar_mm == pytest.approx((99.8, 100.1))
    assert taped.distances == (("A", "H", 700.2, 0.2),)
    assert taped.thickness_mm == 3.02
    assert job_facts(scene, "bar").distances == ()
    assert job_facts(scene, "nominal").printed_bar_mm is None


def test_several_scenes_may_stand_in_one_truth_json(tmp_path):
    both = {"scenes": [SCENE, {**SCENE, "scene": "other"}]}
    (tmp_path / "truth.json").write_text(json.dumps(both), encoding="utf-8")
    assert [s.name for s in load_scenes(tmp_path)] == ["plate", "other"]


@pytest.mark.parametrize("text", ["", "[]", '{"scene": "x"}'])
def test_a_damaged_truth_file_is_named(tmp_path, text):
    (tmp_path / "truth.json").write_text(text, encoding="utf-8")
    with pytest.raises(UnreadableInput, match=r"truth\.json"):
        load_scenes(tmp_path)


def test_a_folder_without_truth_is_named(tmp_path):
    with pytest.raises(UnreadableInput, match="holds no truth"):
        load_scenes(tmp_path)
