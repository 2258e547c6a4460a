"""Colours as people see them, with each form of colour blindness."""

from __future__ import annotations

import numpy as np

# G.M. Machado et al., IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291, severity 1.0, acts on linear RGB;
# matrices from memory of the published table
MACHADO = {
    "normal": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
# sRGB to CIE XYZ, D65 (IEC 61966-2-1)
XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
WHITE = np.array([0.95047, 1.0, 1.08883])


def lab(colour: str, sight: str = "normal") -> np.ndarray:
    """CIE L*a*b* of a colour as somebody sees it."""
    srgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    seen = np.clip(np.asarray(MACHADO[sight]) @ linear, 0, 1)
    x = XYZ @ seen / WHITE
    f = np.where(x > (6 / 29) ** 3, np.cbrt(x), x / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def distance(one: str, other: str, sight: str = "normal") -> float:
    """Distance of two colours in CIE L*a*b* as somebody sees them; 2.3 is just noticeable (Mahy et al. 1994)."""
    return float(np.linalg.norm(lab(one, sight) - lab(other, sight)))
