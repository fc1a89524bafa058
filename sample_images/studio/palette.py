"""Colours of pipes and inks: how often each hue comes, and one drawn from it, as linear RGB."""

import numpy as np

from .noise import hsv

PIPE_HUES = {
    "black": 3,
    "white": 2.5,
    "grey": 2.5,
    "yellow": 1.7,
    "red": 1.3,
    "blue": 1.5,
    "green": 1.3,
    "orange": 1.3,
    "brown": 1,
    "steel": 1.2,
    "copper": 0.6,
    "any": 1.5,
}
INKS = {
    "black": 4,
    "white": 3,
    "yellow": 2,
    "red": 1.5,
    "blue": 1.5,
    "silver": 1,
    "green": 0.6,
    "orange": 0.8,
    "pencil": 0.6,
}


def rgb(c) -> tuple[float, float, float]:
    return tuple(float(np.clip(v, 0, 1)) for v in c)


def pipe_color(rng, hue: str):
    """Linear RGB of a pipe."""
    u = rng.uniform
    return rgb(
        {
            "black": lambda: hsv(u(0, 360), u(0, 0.2), u(0.08, 0.26)),
            "white": lambda: hsv(u(20, 240), u(0, 0.12), u(0.78, 0.95)),
            "grey": lambda: hsv(u(0, 360), u(0, 0.12), u(0.32, 0.72)),
            "yellow": lambda: hsv(u(44, 58), u(0.6, 0.95), u(0.65, 0.95)),
            "red": lambda: hsv(u(-12, 10), u(0.6, 0.9), u(0.4, 0.85)),
            "blue": lambda: hsv(u(200, 232), u(0.5, 0.9), u(0.3, 0.8)),
            "green": lambda: hsv(u(95, 165), u(0.35, 0.85), u(0.25, 0.7)),
            "orange": lambda: hsv(u(16, 34), u(0.65, 0.95), u(0.65, 0.95)),
            "brown": lambda: hsv(u(12, 32), u(0.35, 0.65), u(0.25, 0.5)),
            "steel": lambda: hsv(u(30, 220), u(0, 0.06), u(0.6, 0.85)),
            "copper": lambda: hsv(u(14, 24), u(0.4, 0.6), u(0.75, 0.9)),
            "any": lambda: hsv(u(0, 360), u(0.1, 1), u(0.15, 0.95)),
        }[hue]()
    )


def ink_color(rng, ink: str):
    """Linear RGB of ink or paint."""
    u = rng.uniform
    return rgb(
        {
            "black": lambda: hsv(u(0, 360), u(0, 0.3), u(0.03, 0.16)),
            "white": lambda: hsv(u(30, 220), u(0, 0.06), u(0.86, 0.98)),
            "yellow": lambda: hsv(u(46, 62), u(0.6, 0.95), u(0.8, 0.97)),
            "red": lambda: hsv(u(-12, 10), u(0.7, 0.95), u(0.5, 0.9)),
            "blue": lambda: hsv(u(205, 240), u(0.6, 0.95), u(0.3, 0.8)),
            "silver": lambda: hsv(u(30, 220), u(0, 0.05), u(0.6, 0.8)),
            "green": lambda: hsv(u(110, 160), u(0.6, 0.9), u(0.3, 0.7)),
            "orange": lambda: hsv(u(16, 34), u(0.7, 0.95), u(0.8, 0.97)),
            "pencil": lambda: hsv(u(0, 360), u(0, 0.08), u(0.2, 0.4)),
        }[ink]()
    )


def grease_color(rng, grease: str):
    """Linear RGB of grease."""
    u = rng.uniform
    return rgb(
        {
            "black": lambda: hsv(30, 0.2, u(0.03, 0.15)),
            "white": lambda: hsv(50, 0.08, u(0.75, 0.95)),
            "brown": lambda: hsv(30, 0.6, u(0.2, 0.5)),
            "amber": lambda: hsv(u(32, 50), u(0.4, 0.8), u(0.3, 0.8)),
            "grey": lambda: hsv(u(0, 360), 0.06, u(0.25, 0.65)),
        }[grease]()
    )
