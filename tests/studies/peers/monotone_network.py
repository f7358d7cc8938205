"""A residual network that rises with some of its inputs by construction: forward, backward, and how it descends.

Inputs are parted: the free ones pass through free units; the monotone ones through monotone units, whose weights from
input to output count by their absolute value and whose activations only rise. Free units feed into monotone ones, never
the other way about. So the output rises with every monotone input, whatever the weights (Sill 1998, Monotonic networks,
Advances in Neural Information Processing Systems 10; convex and concave activations side by side: Runje &
Shankaranarayana 2023, International Conference on Machine Learning; both from memory, unverified).

Every layer but the first adds to what it took (He et al. 2016, Deep residual learning, Computer Vision and Pattern
Recognition). Free units are read with their mean over the layer taken off and their spread made 1 (Ba, Kiros & Hinton
2016, Layer normalization, arXiv:1607.06450; both from memory, unverified); monotone ones as they are, or a rise in one
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
    """What a layer took and gave in one forward pass, kept for the way back.

    Attributes
    ----------
    free : array, shape (n, units)
        As it reads them.
    spread : array, shape (n, 1), or None
        By which what came was divided; None in the first layer, which reads inputs as they are.
    monotone : array, shape (n, units)
    free_sum, monotone_sum : array
        Before they are bent.
    free_bent : array
        After, with units left out.
    free_mask, monotone_mask : array or None
        What `_dropout_mask` gave, if units were left out.
    """

    free: Array
    spread: Array | None
    monotone: Array
    free_sum: Array
    monotone_sum: Array
    free_bent: Array
    free_mask: Array | None
    monotone_mask: Array | None


@dataclass(frozen=True)
class ForwardPass:
    """One pass of a batch through the network.

    Attributes
    ----------
    layers : tuple of Layer
    free, monotone : array, shape (n, units)
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
    monotone: Array
    spread: Array
    output: Array
    inside: NDArray[np.bool_]

    @classmethod
    def forward(
        cls, w: Weights, free: Array, monotone: Array, dropout: float = 0.0, rng: np.random.Generator | None = None
    ) -> Self:
        """Run a batch through; with a generator, units are left out at random."""
        layers = []
        for number in range(_depth(w)):
            read, spread = _layer_norm(free) if number else (free, None)
            free_sum = read @ w[f"free {number}"] + w[f"free shift {number}"]
            monotone_sum = read @ w[f"across {number}"] + w[f"across shift {number}"]
            monotone_sum += monotone @ np.abs(w[f"monotone {number}"])
            free_bent, monotone_bent = _swish(free_sum), _bent(monotone_sum)
            masks: list[Array | None] = [None, None]
            if rng is not None and dropout > 0:
                masks = [_dropout_mask(part, dropout, rng) for part in (free_bent, monotone_bent)]
                free_bent, monotone_bent = free_bent * masks[0], monotone_bent * masks[1]
            layers.append(Layer(read, spread, monotone, free_sum, monotone_sum, free_bent, masks[0], masks[1]))
            if number:
                free = free + free_bent @ w[f"back {number}"] + w[f"back shift {number}"]
                monotone = monotone + monotone_bent
            else:
                free, monotone = free_bent, monotone_bent
        read, spread = _layer_norm(free)
        raw = read @ w["free out"] + w["shift out"] + monotone @ np.abs(w["monotone out"])
        output = np.clip(raw, -LOG_REACH, LOG_REACH)
        return cls(tuple(layers), read, monotone, spread, output, output == raw)

    def backward(self, w: Weights, gradient: Array, beside: Array | None = None) -> Weights:
        """Return the gradient of the loss by every weight.

        Parameters
        ----------
        w : Weights
        gradient : array, shape (n, outputs)
            Of the loss by the output.
        beside : array, shape (n, units), optional
            Of what else is lost, by `free`.
        """
        gradient = gradient * self.inside
        found = {
            "free out": self.free.T @ gradient,
            "shift out": gradient.sum(axis=0),
            "monotone out": (self.monotone.T @ gradient) * np.sign(w["monotone out"]),
        }
        read = gradient @ w["free out"].T
        free = _layer_norm_gradient(read if beside is None else read + beside, self.free, self.spread)
        monotone = gradient @ np.abs(w["monotone out"]).T
        for number in reversed(range(len(self.layers))):
            layer = self.layers[number]
            own_free, own_monotone = free, monotone
            if number:
                found[f"back {number}"] = layer.free_bent.T @ free
                found[f"back shift {number}"] = free.sum(axis=0)
                own_free = free @ w[f"back {number}"].T
            if layer.free_mask is not None and layer.monotone_mask is not None:
                own_free, own_monotone = own_free * layer.free_mask, own_monotone * layer.monotone_mask
            own_free, own_monotone = (
                own_free * _swish_derivative(layer.free_sum),
                own_monotone * _bent_derivative(layer.monotone_sum),
            )
            found[f"free {number}"] = layer.free.T @ own_free
            found[f"free shift {number}"] = own_free.sum(axis=0)
            found[f"across {number}"] = layer.free.T @ own_monotone
            found[f"across shift {number}"] = own_monotone.sum(axis=0)
            found[f"monotone {number}"] = (layer.monotone.T @ own_monotone) * np.sign(w[f"monotone {number}"])
            if layer.spread is not None:
                read = own_free @ w[f"free {number}"].T + own_monotone @ w[f"across {number}"].T
                free = free + _layer_norm_gradient(read, layer.free, layer.spread)
                monotone = monotone + own_monotone @ np.abs(w[f"monotone {number}"]).T
        return found


class AdamW:
    """Adam with weight decay apart from the gradient, on a rate that rises once and falls once.

    Adam: Kingma & Ba 2015, International Conference on Learning Representations, algorithm 1; weight decay:
    Loshchilov & Hutter 2019, at the same place; both from memory, unverified.

    Parameters
    ----------
    weights : mapping of str to array
        Changed in place.
    rate : float
        The highest.
    weight_decay : float
        Share of each weight taken off a step at rate 1.
    steps : int
        How many there will be.
    """

    def __init__(self, weights: Weights, rate: float, weight_decay: float, steps: int) -> None:
        self.weights = weights
        self.rate = rate
        self.weight_decay = weight_decay
        self.steps = steps
        self.first = {name: np.zeros_like(value) for name, value in weights.items()}
        self.second = {name: np.zeros_like(value) for name, value in weights.items()}
        self.done = 0

    def step(self, gradients: Weights) -> None:
        """Take one step against the gradients."""
        share = self.done / max(self.steps, 1)
        if share < WARM_SHARE:
            now = 0.04 + 0.96 * 0.5 * (1 - np.cos(np.pi * share / WARM_SHARE))
        else:
            now = 0.5 * (1 + np.cos(np.pi * (share - WARM_SHARE) / (1 - WARM_SHARE)))
        self.done += 1
        rate = self.rate * now
        level = np.sqrt(1 - SECOND_DECAY**self.done) / (1 - FIRST_DECAY**self.done)
        for name, gradient in gradients.items():
            first, second, weight = self.first[name], self.second[name], self.weights[name]
            first += (1 - FIRST_DECAY) * (gradient - first)
            second += (1 - SECOND_DECAY) * (gradient * gradient - second)
            weight *= weight.dtype.type(1 - rate * self.weight_decay)
            weight -= weight.dtype.type(rate * level) * first / (np.sqrt(second) + weight.dtype.type(TINY))


def first_weights(
    free: int, monotone: int, layers: int, width: int, monotone_width: int, outputs: int, rng: np.random.Generator
) -> Weights:
    """Draw weights to begin with, for so many inputs, units a layer and outputs.

    Those of monotone units are drawn such that each unit starts from a mean of its monotone inputs.
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
        weights[f"across {number}"] = drawn(free, free, monotone_width)
        weights[f"across shift {number}"] = drawn(free, monotone_width)
        weights[f"monotone {number}"] = positive(monotone, monotone_width, 1 / max(monotone, 1))
        if number:
            weights[f"back {number}"] = drawn(width, width, width)
            weights[f"back shift {number}"] = drawn(width, width)
        free, monotone = width, monotone_width
    # At first every output is 0, or nearly so.
    weights["free out"] = np.zeros((width, outputs), np.float32)
    weights["shift out"] = np.zeros(outputs, np.float32)
    weights["monotone out"] = positive(monotone_width, outputs, 0.1 / monotone_width)
    return weights


def _depth(w: Weights) -> int:
    return sum(name.startswith("free shift") for name in w)


def _layer_norm(x: Array) -> tuple[Array, Array]:
    """Take each row's mean off and divide by its spread; return that and the spread, shape (n, 1)."""
    off = x - x.mean(axis=1, keepdims=True)
    spread = np.sqrt((off * off).mean(axis=1, keepdims=True) + x.dtype.type(LEAST_VARIANCE))
    return off / spread, spread


def _layer_norm_gradient(gradient: Array, normed: Array, spread: Array) -> Array:
    """Return the gradient by what was normed, given that by what came out."""
    along = (gradient * normed).mean(axis=1, keepdims=True)
    back: Array = (gradient - gradient.mean(axis=1, keepdims=True) - normed * along) / spread
    return back


def _dropout_mask(part: Array, dropout: float, rng: np.random.Generator) -> Array:
    """Return 0 for units left out and, for the others, what makes up for those."""
    left_in: Array = (rng.random(part.shape, dtype=np.float32) >= dropout) / part.dtype.type(1 - dropout)
    return left_in


def _swish(x: Array) -> Array:
    bent: Array = x * expit(x)
    return bent


def _swish_derivative(x: Array) -> Array:
    at = expit(x)
    derivative: Array = at * (1 + x * (1 - at))
    return derivative


def _bent(x: Array) -> Array:
    """Bend the first half of the units up (exponential, then straight) and the second half down; both rise."""
    half = x.shape[1] // 2
    up, down = x[:, :half], -x[:, half:]
    return np.hstack(
        [np.where(up > 0, up, np.expm1(np.minimum(up, 0))), np.where(down > 0, -down, -np.expm1(np.minimum(down, 0)))]
    )


def _bent_derivative(x: Array) -> Array:
    half = x.shape[1] // 2
    derivative: Array = np.exp(np.minimum(np.hstack([x[:, :half], -x[:, half:]]), 0))
    return derivative
