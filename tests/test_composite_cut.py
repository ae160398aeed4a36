"""Where the seam runs: the exact cheapest cut, and the soft edge along it."""

from __future__ import annotations

import itertools

import cv2
import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from skimage.color import rgb2lab

from facemerge.composite import cut


def cut_value(cost: NDArray[np.float32], region: NDArray[np.bool_]) -> float:
    """Return what a region's border costs: Kwatra et al., "Graphcut Textures", 2003, eq. 1 (from memory)."""
    pairs = cost[:, 1:] + cost[:, :-1], cost[1:] + cost[:-1]
    differ = region[:, 1:] != region[:, :-1], region[1:] != region[:-1]
    return float(sum((p[d] + cut.LINK_COST).sum() for p, d in zip(pairs, differ, strict=True)))


def maximum_flow(cost: NDArray[np.float32], inside: NDArray[np.bool_], outside: NDArray[np.bool_]) -> float:
    """Return the maximum flow, which equals the minimum cut (Ford & Fulkerson, 1956), by networkx."""
    graph = nx.DiGraph()
    h, w = cost.shape
    for y, x in itertools.product(range(h), range(w)):
        for v, u in ((y, x + 1), (y + 1, x)):
            if v < h and u < w:
                both = float(cost[y, x] + cost[v, u]) + cut.LINK_COST
                graph.add_edge((y, x), (v, u), capacity=both)
                graph.add_edge((v, u), (y, x), capacity=both)
        if inside[y, x]:
            graph.add_edge("inside", (y, x))
        if outside[y, x]:
            graph.add_edge((y, x), "outside")
    return float(nx.maximum_flow_value(graph, "inside", "outside"))


def small_case(seed: int, shape: tuple[int, int]) -> tuple[NDArray, NDArray, NDArray]:
    rng = np.random.default_rng(seed)
    cost = rng.uniform(0.1, 9, shape).astype(np.float32)
    inside, outside = np.zeros(shape, bool), np.ones(shape, bool)
    inside[shape[0] // 2, shape[1] // 2] = True
    outside[1:-1, 1:-1] = False
    return cost, inside, outside


@pytest.mark.parametrize("seed", range(8))
def test_the_cut_is_as_cheap_as_the_maximum_flow(seed: int) -> None:
    """On random grids the cut costs what an independent maximum-flow solver says is the least."""
    cost, inside, outside = small_case(seed, (9, 11))
    region = cut.minimum_cut(cost, inside, outside)
    assert cut_value(cost, region) == pytest.approx(maximum_flow(cost, inside, outside), rel=2e-3)


@pytest.mark.parametrize("seed", range(3))
def test_the_cut_is_the_cheapest_of_all_regions(seed: int) -> None:
    """On a grid small enough to try every region, none is cheaper."""
    cost, inside, outside = small_case(seed, (5, 6))
    free = np.argwhere(~inside & ~outside)
    least = np.inf
    for bits in range(2 ** len(free)):
        region = inside.copy()
        for k, (y, x) in enumerate(free):
            region[y, x] = bool(bits >> k & 1)
        least = min(least, cut_value(cost, region))
    found = cut.minimum_cut(cost, inside, outside)
    assert cut_value(cost, found) == pytest.approx(least, rel=2e-3)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_the_cut_keeps_its_promises(seed: int) -> None:
    """What must lie inside does, what must not does not, whatever the costs."""
    rng = np.random.default_rng(seed)
    shape = (14, 17)
    cost = rng.exponential(3, shape).astype(np.float32)
    inside, outside = rng.random(shape) < 0.05, rng.random(shape) < 0.1
    inside[7, 8] = True
    outside[0] = True
    region = cut.minimum_cut(cost, inside, outside)
    assert region[inside].all()
    assert not region[outside & ~inside].any()


def test_a_ring_of_agreement_is_followed() -> None:
    """A seam follows the cheap ring round the head, where the pictures agree, and no dearer way."""
    y, x = np.mgrid[0:60, 0:60]
    far = np.hypot(y - 30, x - 30)
    cost = np.where(np.abs(far - 18) < 1.6, 0.1, 50).astype(np.float32)
    border = np.ones((60, 60), bool)
    border[1:-1, 1:-1] = False
    region = cut.minimum_cut(cost, far < 5, border)
    assert far[region].max() < 20
    assert far[~region].min() > 16


def test_without_an_outside_the_inside_comes_back() -> None:
    """With nothing to keep out there is no cut to make."""
    inside = np.zeros((6, 6), bool)
    inside[2:4, 2:4] = True
    got = cut.minimum_cut(np.ones((6, 6), np.float32), inside, np.zeros((6, 6), bool))
    assert np.array_equal(got, inside)


def test_equal_pictures_cost_nothing() -> None:
    """Where both pictures show the same, a seam may pass for nothing but its length."""
    lab = np.random.default_rng(1).uniform(0, 80, (20, 20, 3)).astype(np.float32)
    assert not cut.disagreement(lab, lab).any()


def test_one_bad_crossing_costs_more_than_many_middling() -> None:
    """The worst shows: twice the difference costs more than ten pixels of the single one."""
    lab = np.full((9, 9, 3), 50, np.float32)
    once, twice = (float(cut.disagreement(lab, lab + np.float32(d))[4, 4]) for d in (2.0, 4.0))
    assert twice > 10 * once
    assert twice < 30 * once


def test_disagreement_grows_with_the_difference() -> None:
    """A larger difference costs more, up to the cap."""
    lab = np.zeros((8, 8, 3), np.float32)
    costs = [float(cut.disagreement(lab, lab + np.float32(d)).max()) for d in (0, 1, 3, 9, 27)]
    assert costs == sorted(costs)
    assert costs[0] < costs[1]


def test_colour_conversion_agrees_with_an_independent_one() -> None:
    """CIELAB as skimage computes it (CIE 15, D65), to 0.4 of a unit: OpenCV looks its curve up."""
    rgb = np.random.default_rng(5).random((16, 16, 3)).astype(np.float32)
    assert np.abs(cut.to_lab(rgb) - rgb2lab(rgb)).max() < 0.4


@settings(max_examples=40, deadline=None)
@given(width=st.floats(0, 40), level=st.floats(-200, 200))
def test_the_soft_edge_stays_in_range(width: float, level: float) -> None:
    """A mask lies in [0, 1], is one half on the seam and is reached within half its width."""
    edge = cut.soft_edge(np.array([[-level, 0, level]], np.float32), width)
    assert edge.min() >= 0
    assert edge.max() <= 1
    assert edge[0, 1] == pytest.approx(0.5)
    assert edge[0, 0] + edge[0, 2] == pytest.approx(1, abs=1e-5)


@pytest.mark.parametrize("everywhere", [False, True])
def test_a_region_without_a_border_has_finite_distances(everywhere: bool) -> None:
    """An edge that is nowhere stays so when it is blurred and enlarged: an infinite one becomes no number."""
    far = cut.signed_distance(np.full((30, 40), everywhere))
    large = cv2.resize(cv2.GaussianBlur(far, (0, 0), 1.0), (100, 75), interpolation=cv2.INTER_LINEAR)
    assert (cut.soft_edge(large, 2.0) == float(everywhere)).all()


def test_signed_distance_of_a_half_plane() -> None:
    """Half a pixel either side of a straight border, growing by one a pixel."""
    region = np.zeros((9, 20), bool)
    region[:, 10:] = True
    assert np.allclose(cut.signed_distance(region)[4], np.arange(20) - 9.5, atol=1e-3)
