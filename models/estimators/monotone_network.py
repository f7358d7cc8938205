"""A residual network that rises with some of its inputs by construction: forward, backward, and how it descends.

Inputs are parted: the free ones pass through free units; the directed ones through directed units, whose weights from
input to output count by their absolute value and whose activations only rise. Free units feed into directed ones, never
the other way about. So the output rises with every directed input, whatever the weights (Sill 1998, Monotonic networks,
Advances in Neural Information Processing Systems 10; convex and concave activations side by side: Runje &
Shankaranarayana 2023, International Conference on Machine Learning; both from memory, unverified).

Every layer but the first adds to what it took (He et al. 2016, Deep residual learning, Computer Vision and Pattern
Recognition). Free units are read with their mean over the layer taken off and their spread made 1 (Ba, Kiros & Hinton
2016, Layer normalization, arXiv:1607.06450; both from memory, unverified); directed ones as they are, or a rise in one
could lower another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

Array = NDArray[Any]
"""Of float32 while learning, of float64 when asked."""

Weights = dict[str, Array]

LOG_REACH: Final = 12.0
"""Outputs are cut off this far from 0: a factor of 160,000 on a hazard."""

LEAST_VARIANCE: Final = 1e-5
"""Added to the variance over a layer's free units, so that equal ones stay 0."""

FIRST_DECAY, SECOND_DECAY, TINY = 0.9, 0.999, 1e-8
"""Of Adam's running moments, as its authors suggest."""

WARM_SHARE: Final = 0.3
"""Share of the steps over which the rate rises, before it falls to 0; both along a cosine."""


@dataclass(frozen=True)
class Layer:
    """What a layer took and gave in one run, kept for the way back.

    Attributes
    ----------
    free : array, shape (n, units)
        As it reads them.
    spread : array, shape (n, 1), or None
        By which what came was divided; None in the first layer, which reads inputs as they are.
    directed : array, shape (n, units)
    free_sum, directed_sum : array
        Before they are bent.
    free_bent : array
        After, with units left out.
    free_kept, directed_kept : array or None
        What `_left_in` gave, if units were left out.
    """

    free: Array
    spread: Array | None
    directed: Array
    free_sum: Array
    directed_sum: Array
    free_bent: Array
    free_kept: Array | None
    directed_kept: Array | None


@dataclass(frozen=True)
class Run:
    """One run of the network on a batch.

    Attributes
    ----------
    layers : tuple of Layer
    free, directed : array, shape (n, units)
        What the last hidden layer gives, as the output reads it.
    spread : array, shape (n, 1)
        By which the free ones were divided.
    output : array, shape (n, outputs)
        Any real number, held within `LOG_REACH` of 0.
    inside : bool array, shape (n, outputs)
        False where the output was cut off.
    """

    layers: tuple[Layer, ...]
    free: Array
    directed: Array
    spread: Array
    output: Array
    inside: NDArray[np.bool_]

    @classmethod
    def forward(
        cls, w: Weights, free: Array, directed: Array, dropout: float = 0.0, rng: np.random.Generator | None = None
    ) -> Self:
        """Run a batch through; with a generator, units are left out at random."""
        layers = []
        for number in range(_depth(w)):
            read, spread = _evened(free) if number else (free, None)
            free_sum = read @ w[f"free {number}"] + w[f"free shift {number}"]
            directed_sum = read @ w[f"across {number}"] + w[f"across shift {number}"]
            directed_sum += directed @ np.abs(w[f"directed {number}"])
            free_bent, directed_bent = _swish(free_sum), _bent(directed_sum)
            kept: list[Array | None] = [None, None]
            if rng is not None and dropout > 0:
                kept = [_left_in(part, dropout, rng) for part in (free_bent, directed_bent)]
                free_bent, directed_bent = free_bent * kept[0], directed_bent * kept[1]
            layers.append(Layer(read, spread, directed, free_sum, directed_sum, free_bent, kept[0], kept[1]))
            if number:
                free = free + free_bent @ w[f"back {number}"] + w[f"back shift {number}"]
                directed = directed + directed_bent
            else:
                free, directed = free_bent, directed_bent
        read, spread = _evened(free)
        raw = read @ w["free out"] + w["shift out"] + directed @ np.abs(w["directed out"])
        output = np.clip(raw, -LOG_REACH, LOG_REACH)
        return cls(tuple(layers), read, directed, spread, output, output == raw)

    def backward(self, w: Weights, slope: Array, beside: Array | None = None) -> Weights:
        """Return the slope of the loss by every weight.

        Parameters
        ----------
        w : Weights
        slope : array, shape (n, outputs)
            Of the loss by the output.
        beside : array, shape (n, units), optional
            Of what else is lost, by `free`.
        """
        slope = slope * self.inside
        found = {
            "free out": self.free.T @ slope,
            "shift out": slope.sum(axis=0),
            "directed out": (self.directed.T @ slope) * np.sign(w["directed out"]),
        }
        read = slope @ w["free out"].T
        free = _evened_slope(read if beside is None else read + beside, self.free, self.spread)
        directed = slope @ np.abs(w["directed out"]).T
        for number in reversed(range(len(self.layers))):
            layer = self.layers[number]
            own_free, own_directed = free, directed
            if number:
                found[f"back {number}"] = layer.free_bent.T @ free
                found[f"back shift {number}"] = free.sum(axis=0)
                own_free = free @ w[f"back {number}"].T
            if layer.free_kept is not None and layer.directed_kept is not None:
                own_free, own_directed = own_free * layer.free_kept, own_directed * layer.directed_kept
            own_free, own_directed = (
                own_free * _swish_slope(layer.free_sum),
                own_directed * _bent_slope(layer.directed_sum),
            )
            found[f"free {number}"] = layer.free.T @ own_free
            found[f"free shift {number}"] = own_free.sum(axis=0)
            found[f"across {number}"] = layer.free.T @ own_directed
            found[f"across shift {number}"] = own_directed.sum(axis=0)
            found[f"directed {number}"] = (layer.directed.T @ own_directed) * np.sign(w[f"directed {number}"])
            if layer.spread is not None:
                read = own_free @ w[f"free {number}"].T + own_directed @ w[f"across {number}"].T
                free = free + _evened_slope(read, layer.free, layer.spread)
                directed = directed + own_directed @ np.abs(w[f"directed {number}"]).T
        return found


class Descent:
    """Adam with shrinkage apart from the gradient, on a rate that rises once and falls once.

    Adam: Kingma & Ba 2015, International Conference on Learning Representations, algorithm 1; shrinkage: Loshchilov &
    Hutter 2019, at the same place; both from memory, unverified.

    Parameters
    ----------
    weights : mapping of str to array
        Changed in place.
    rate : float
        The highest.
    shrinkage : float
        Share of each weight taken off a step at rate 1.
    steps : int
        How many there will be.
    """

    def __init__(self, weights: Weights, rate: float, shrinkage: float, steps: int) -> None:
        self.weights = weights
        self.rate = rate
        self.shrinkage = shrinkage
        self.steps = steps
        self.first = {name: np.zeros_like(value) for name, value in weights.items()}
        self.second = {name: np.zeros_like(value) for name, value in weights.items()}
        self.done = 0

    def step(self, slopes: Weights) -> None:
        """Take one step against the slopes."""
        share = self.done / max(self.steps, 1)
        if share < WARM_SHARE:
            now = 0.04 + 0.96 * 0.5 * (1 - np.cos(np.pi * share / WARM_SHARE))
        else:
            now = 0.5 * (1 + np.cos(np.pi * (share - WARM_SHARE) / (1 - WARM_SHARE)))
        self.done += 1
        rate = self.rate * now
        level = np.sqrt(1 - SECOND_DECAY**self.done) / (1 - FIRST_DECAY**self.done)
        for name, slope in slopes.items():
            first, second, weight = self.first[name], self.second[name], self.weights[name]
            first += (1 - FIRST_DECAY) * (slope - first)
            second += (1 - SECOND_DECAY) * (slope * slope - second)
            weight *= weight.dtype.type(1 - rate * self.shrinkage)
            weight -= weight.dtype.type(rate * level) * first / (np.sqrt(second) + weight.dtype.type(TINY))


def first_weights(
    free: int, directed: int, layers: int, width: int, directed_width: int, outputs: int, rng: np.random.Generator
) -> Weights:
    """Draw weights to begin with, for so many inputs, units a layer and outputs.

    Those of directed units are drawn such that each unit starts from a mean of its directed inputs.
    """
    weights: Weights = {}

    def drawn(inputs: int, *shape: int) -> Array:
        reach = 1 / np.sqrt(max(inputs, 1))
        return rng.uniform(-reach, reach, shape).astype(np.float32)

    def positive(inputs: int, units: int, mean: float) -> Array:
        return rng.uniform(0, 2 * mean, (inputs, units)).astype(np.float32)

    for number in range(layers):
        weights[f"free {number}"] = drawn(free, free, width)
        weights[f"free shift {number}"] = drawn(free, width)
        weights[f"across {number}"] = drawn(free, free, directed_width)
        weights[f"across shift {number}"] = drawn(free, directed_width)
        weights[f"directed {number}"] = positive(directed, directed_width, 1 / max(directed, 1))
        if number:
            weights[f"back {number}"] = drawn(width, width, width)
            weights[f"back shift {number}"] = drawn(width, width)
        free, directed = width, directed_width
    # At first every output is 0, or nearly so.
    weights["free out"] = np.zeros((width, outputs), np.float32)
    weights["shift out"] = np.zeros(outputs, np.float32)
    weights["directed out"] = positive(directed_width, outputs, 0.1 / directed_width)
    return weights


def _depth(w: Weights) -> int:
    return sum(name.startswith("free shift") for name in w)


def _evened(x: Array) -> tuple[Array, Array]:
    """Take each row's mean off and divide by its spread; return that and the spread, shape (n, 1)."""
    off = x - x.mean(axis=1, keepdims=True)
    spread = np.sqrt((off * off).mean(axis=1, keepdims=True) + x.dtype.type(LEAST_VARIANCE))
    return off / spread, spread


def _evened_slope(slope: Array, evened: Array, spread: Array) -> Array:
    """Return the slope by what was evened, given that by what came out."""
    along = (slope * evened).mean(axis=1, keepdims=True)
    back: Array = (slope - slope.mean(axis=1, keepdims=True) - evened * along) / spread
    return back


def _left_in(part: Array, dropout: float, rng: np.random.Generator) -> Array:
    """Return 0 for units left out and, for the others, what makes up for those."""
    left_in: Array = (rng.random(part.shape, dtype=np.float32) >= dropout) / part.dtype.type(1 - dropout)
    return left_in


def _swish(x: Array) -> Array:
    bent: Array = x * expit(x)
    return bent


def _swish_slope(x: Array) -> Array:
    at = expit(x)
    slope: Array = at * (1 + x * (1 - at))
    return slope


def _bent(x: Array) -> Array:
    """Bend the first half of the units up (exponential, then straight) and the second half down; both rise."""
    half = x.shape[1] // 2
    up, down = x[:, :half], -x[:, half:]
    return np.hstack(
        [np.where(up > 0, up, np.expm1(np.minimum(up, 0))), np.where(down > 0, -down, -np.expm1(np.minimum(down, 0)))]
    )


def _bent_slope(x: Array) -> Array:
    half = x.shape[1] // 2
    slope: Array = np.exp(np.minimum(np.hstack([x[:, :half], -x[:, half:]]), 0))
    return slope
