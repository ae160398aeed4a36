"""Where a head and a body may be by a face's place, and how likely a colour is theirs."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_heads import FACE_HIGH, landmarks
from scipy.special import softmax

from facemerge.composite import appearance, outline

SHAPE = (300, 400)
LEFT, RIGHT = landmarks((150.0, 130.0))[:, :2], landmarks((270.0, 140.0))[:, :2]


def test_a_head_costs_one_on_its_outline() -> None:
    """Inside, the distance in heads; outside, twice as much for each further head."""
    away, cost = outline.head_distance(LEFT, SHAPE), appearance.head_cost(LEFT, SHAPE)
    inside = away < 1
    assert inside.any()
    assert not inside.all()
    np.testing.assert_array_equal(cost[inside], away[inside])
    np.testing.assert_allclose(cost[~inside], 1 + 2 * (away[~inside] - 1), rtol=1e-5)


def test_a_body_is_expected_below_its_face() -> None:
    """Cheaper below the chin than anywhere above it, and than far aside; the same to its left and right;
    dearer than that head in the head's place."""
    x, y = LEFT.mean(0)
    cost = appearance.body_cost(LEFT, SHAPE)
    middle, chin = round(float(x)), round(float(LEFT[:, 1].max()))
    assert cost[chin + 1 :, middle].max() < cost[: chin - 5].min()
    assert cost[250, middle] < cost[250, -20:].min()
    aside = 120
    assert cost[250, middle + aside] > cost[250, middle]
    assert cost[250, middle - aside] == pytest.approx(cost[250, middle + aside], abs=0.05)
    assert cost[round(float(y)), middle] > appearance.head_cost(LEFT, SHAPE)[round(float(y)), middle]


def test_there_is_no_doubt_about_faces_and_the_middle_of_heads() -> None:
    """Every pixel of a face is its owner's, though the other's head reaches over it; what lies far from
    both is left open."""
    sure, whose = appearance.cores([LEFT, RIGHT], SHAPE)
    for who, points in enumerate((LEFT, RIGHT)):
        face = outline.hull(points, SHAPE)
        assert sure[face].all()
        assert (whose[face] == who).all()
        crown = points.mean(0) - np.array([0, 0.55 * FACE_HIGH])
        assert whose[round(float(crown[1])), round(float(crown[0]))] == who
    assert not sure[280:].any()
    assert not sure[:, :30].any()


def test_a_face_in_front_of_a_head_is_not_that_heads() -> None:
    """A face right over the middle of somebody's hair is its own, whatever lies nearest."""
    low = landmarks((150.0, 210.0))[:, :2]
    high = landmarks((150.0, 150.0))[:, :2]
    before = outline.hull(low, SHAPE, 1.1) & ~outline.hull(high, SHAPE, 1.1)
    sure, whose = appearance.cores([high, low], SHAPE)
    assert before.sum() > 500
    assert sure[before].all()
    assert (whose[before] == 1).all()


def test_chances_are_the_usual_ones_and_whole_where_there_is_no_doubt(rng: np.random.Generator) -> None:
    """A soft maximum (scipy's), but one or nought where it is sure whose a pixel is."""
    log = rng.normal(0, 3, (3, 20, 30)).astype(np.float32)
    sure = np.zeros((20, 30), bool)
    sure[5:8, 10:20] = True
    whose = np.full((20, 30), 1, np.intp)
    chances = appearance.told(log, sure, whose)
    np.testing.assert_allclose(chances[:, ~sure], softmax(log, axis=0)[:, ~sure], atol=1e-5)
    assert (chances[1][sure] == 1).all()
    np.testing.assert_allclose(chances.sum(0), 1, atol=1e-5)


def every_box() -> np.ndarray:
    """Return a picture in CIELAB that has each box's middle once."""
    low = np.array([0, -appearance.WIDEST_A_B, -appearance.WIDEST_A_B])
    wide = np.array([100, 2 * appearance.WIDEST_A_B, 2 * appearance.WIDEST_A_B])
    at = np.stack(np.unravel_index(np.arange(np.prod(appearance.BINS)), appearance.BINS), -1)
    lab = low + (at + 0.5) / appearance.BINS * wide
    return lab.reshape(appearance.BINS[0], -1, 3).astype(np.float32)


def test_every_colour_has_a_box() -> None:
    """The middles of all boxes fall into all boxes; what lies beyond falls into the outermost."""
    boxes = appearance.colour_boxes(every_box())
    numbers = np.ravel_multi_index(boxes, appearance.BINS)
    np.testing.assert_array_equal(np.sort(numbers.ravel()), np.arange(np.prod(appearance.BINS)))
    beyond = np.array([[[-5, -90, -90], [120, 90, 90]]], np.float32)
    ends = np.stack(appearance.colour_boxes(beyond), -1)[0]
    np.testing.assert_array_equal(ends, [[0, 0, 0], np.array(appearance.BINS) - 1])


def test_the_likelihood_of_all_colours_together_is_one(rng: np.random.Generator) -> None:
    """It is a distribution over colours, highest about those the part has, and never nought."""
    picture = every_box()
    weight = (rng.random(picture.shape[:2]) < 0.1).astype(float)
    boxes = appearance.colour_boxes(picture)
    model = appearance.colour_model(boxes, weight)
    log = model[boxes]
    assert np.exp(model).sum() == pytest.approx(1, abs=1e-4)
    assert log[weight > 0].mean() > log[weight == 0].mean()
    size = np.prod(appearance.BINS)
    assert np.exp(log).min() >= appearance.STRAY_SHARE / size * (1 - 1e-4)


def test_too_few_pixels_tell_nothing_of_colours() -> None:
    """Fewer pixels than are needed: any colour is as likely as any other."""
    picture = every_box()
    weight = np.zeros(picture.shape[:2])
    weight[0, : appearance.FEWEST - 1] = 1
    log = appearance.colour_model(appearance.colour_boxes(picture), weight)
    np.testing.assert_allclose(log, -np.log(np.prod(appearance.BINS)), rtol=1e-6)
