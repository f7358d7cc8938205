import numpy as np
import pytest
from scipy.optimize import approx_fprime
from sklearn.neural_network._stochastic_optimizers import AdamOptimizer

from tests.studies.peers.monotone_network import LOG_REACH, AdamW, ForwardPass, first_weights


def network(free, monotone, layers=3, seed=0):
    """Weights well away from where learning starts, as float64."""
    rng = np.random.default_rng(seed)
    weights = first_weights(free, monotone, layers, 6, 4, 5, rng)
    return {name: (value + rng.normal(0, 0.3, value.shape)).astype(float) for name, value in weights.items()}


@pytest.mark.parametrize(("free", "monotone"), [(3, 4), (3, 0), (0, 4)])
def test_backward_is_the_gradient(free, monotone):
    # Reference: finite differences (scipy.optimize.approx_fprime).
    rng = np.random.default_rng(1)
    weights, inputs = network(free, monotone), (rng.normal(size=(7, free)), rng.normal(size=(7, monotone)))
    wanted, of_units = rng.normal(size=(7, 5)), rng.normal(size=(7, 6))
    found = ForwardPass.forward(weights, *inputs).backward(weights, wanted, of_units)
    assert found.keys() == weights.keys()
    for name, value in weights.items():

        def loss(flat, name=name, shape=value.shape):
            forward = ForwardPass.forward(weights | {name: flat.reshape(shape)}, *inputs)
            return float((forward.output * wanted).sum() + (forward.free * of_units).sum())

        if value.size:
            numeric = approx_fprime(value.ravel(), loss, 1e-6)
            np.testing.assert_allclose(found[name].ravel(), numeric, atol=2e-4)


@pytest.mark.parametrize("seed", range(5))
def test_outputs_rise_with_every_directed_input_whatever_the_weights(seed):
    rng = np.random.default_rng(seed)
    weights = network(3, 4, layers=1 + seed % 3, seed=seed)
    free = np.repeat(rng.normal(size=(40, 3)), 30, axis=0)
    for column in range(4):
        monotone = np.repeat(rng.normal(size=(40, 4)), 30, axis=0)
        monotone[:, column] = np.tile(np.linspace(-4, 4, 30), 40)
        rise = np.diff(ForwardPass.forward(weights, free, monotone).output.reshape(40, 30, -1), axis=1)
        assert rise.min() >= 0
        assert rise.max() > 0.01
    swept = np.tile(np.linspace(-4, 4, 30)[:, None], (1, 3))
    step = np.diff(ForwardPass.forward(weights, swept, np.zeros((30, 4))).output, axis=0)
    assert step.min() < 0 < step.max()


def test_units_left_out_are_made_up_for():
    rng = np.random.default_rng(2)
    weights = network(3, 4, layers=1)
    weights["free out"][:] = 0  # free units are normed before the output, so only the monotone ones keep their mean
    free, monotone = rng.normal(size=(1, 3)), rng.normal(size=(1, 4))
    whole = ForwardPass.forward(weights, free, monotone).output
    many = ForwardPass.forward(
        weights, np.repeat(free, 40_000, axis=0), np.repeat(monotone, 40_000, axis=0), 0.3, rng
    ).output
    assert many.std(axis=0).min() > 0.01
    np.testing.assert_allclose(many.mean(axis=0), whole[0], atol=0.03)


def test_outputs_are_cut_off_and_then_do_not_push():
    weights = network(3, 4)
    weights["shift out"] = np.full(5, 1000.0)
    forward = ForwardPass.forward(weights, np.zeros((2, 3)), np.zeros((2, 4)))
    assert np.all(forward.output == LOG_REACH)
    assert not any(part.any() for part in forward.backward(weights, np.ones((2, 5))).values())


def test_descent_is_adam_at_the_rate_of_the_moment():
    # Reference: scikit-learn's AdamOptimizer, its rate set anew before each step.
    rng = np.random.default_rng(3)
    ours, theirs = {"w": np.ones(4)}, [np.ones(4)]
    optimizer, peer = AdamW(ours, rate=0.01, weight_decay=0.0, steps=50), AdamOptimizer(theirs)
    rates = []
    for step in range(50):
        gradient = rng.normal(size=4)
        share = step / 50
        # Half a cosine up over three tenths, from 4 % of the rate, and half a cosine down.
        up = 0.04 + 0.96 * np.sin(np.pi / 2 * share / 0.3) ** 2
        rates.append(0.01 * (up if share < 0.3 else np.cos(np.pi / 2 * (share - 0.3) / 0.7) ** 2))
        peer.learning_rate_init = rates[-1]
        optimizer.step({"w": gradient})
        peer.update_params(theirs, [gradient])
    np.testing.assert_allclose(ours["w"], theirs[0], atol=1e-6)
    assert np.abs(ours["w"] - 1).max() > 0.01


def test_weight_decay_pulls_to_zero_apart_from_the_gradient():
    weights = {"w": np.ones(2)}
    optimizer = AdamW(weights, rate=0.1, weight_decay=0.5, steps=100)
    for _ in range(100):
        optimizer.step({"w": np.zeros(2)})
    assert np.all((weights["w"] > 0) & (weights["w"] < 0.2))
