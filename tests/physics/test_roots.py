"""The bracketed root finder, on functions whose roots are known."""

import numpy as np

from coolsim.physics.roots import bracketed_root


def test_many_roots_at_once():
    rng = np.random.default_rng(7)
    root = rng.uniform(-5, 5, (40, 3))
    stiff = rng.uniform(0.1, 30, (40, 3))
    found = bracketed_root(lambda x: np.expm1(stiff * (x - root)) + (x - root) ** 3, -6.0, 6.0)
    np.testing.assert_allclose(found, root, atol=1e-9)


def test_roots_at_an_end_and_missing_roots():
    target = np.array([0.0, 1.0, 0.25, 2.0])
    found = bracketed_root(lambda x: x - target, 0.0, 1.0)
    np.testing.assert_allclose(found[:3], target[:3], atol=1e-10)
    assert np.isnan(found[3])
