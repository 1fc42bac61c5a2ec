"""From a photo's sRGB to CIELAB and to the difference of two colours, on arrays whose last axis is the colour.

sRGB: IEC 61966-2-1:1999 (transfer function and matrix as printed there, four decimals). CIELAB: ISO/CIE 11664-4, white
D65 for the 2° observer, xy = (0.3127, 0.3290). CIEDE2000: ISO/CIE 11664-6, in the form of Sharma, Wu, Dalal (2005),
"The CIEDE2000 color-difference formula: implementation notes", Color Research & Application 30(1), 21-30. A photo is
display-referred: a Lab value here is the colour that a calibrated display would show, not the paint's own.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

RGB_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
XYZ_TO_RGB = np.linalg.inv(RGB_TO_XYZ)
WHITE = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
LUMINANCE = RGB_TO_XYZ[1]

# The two constants of CIELAB as the fractions they were rounded from: the curve then has no step (ISO/CIE 11664-4).
EPSILON = (6 / 29) ** 3
KAPPA = (29 / 3) ** 3


def decode(encoded: npt.ArrayLike) -> Floats:
    """sRGB values in 0 to 1 to linear light in 0 to 1."""
    values = np.asarray(encoded, np.float64)
    high = ((np.maximum(values, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(values <= 0.04045, values / 12.92, high))


def encode(linear: npt.ArrayLike) -> Floats:
    """Linear light to sRGB values; what sRGB cannot hold is clipped to 0 or 1."""
    values = np.clip(np.asarray(linear, np.float64), 0, 1)
    return np.where(values <= 0.0031308, 12.92 * values, 1.055 * values ** (1 / 2.4) - 0.055)


LINEAR_OF_BYTE = decode(np.arange(256) / 255)  # linear light of each 8-bit value


def linear_to_lab(linear: npt.ArrayLike) -> Floats:
    """Linear sRGB (..., 3) to CIELAB (..., 3); L in 0 to 100 for 0 to 1."""
    ratio = np.asarray(linear, np.float64) @ (RGB_TO_XYZ / WHITE[:, None]).T
    f = np.where(ratio > EPSILON, np.cbrt(ratio), (KAPPA * ratio + 16) / 116)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def lab_to_linear(lab: npt.ArrayLike) -> Floats:
    """CIELAB (..., 3) to linear sRGB (..., 3), not clipped: a colour outside sRGB has values below 0 or above 1."""
    values = np.asarray(lab, np.float64)
    y = (values[..., 0] + 16) / 116
    f = np.stack([y + values[..., 1] / 500, y, y - values[..., 2] / 200], axis=-1)
    xyz = np.where(f > 6 / 29, f**3, (116 * f - 16) / KAPPA) * WHITE
    return np.asarray(xyz @ XYZ_TO_RGB.T)


def srgb_to_lab(srgb: npt.ArrayLike) -> Floats:
    """Encoded sRGB (..., 3), uint8 or 0 to 1, to CIELAB."""
    values = np.asarray(srgb)
    return linear_to_lab(LINEAR_OF_BYTE[values] if values.dtype == np.uint8 else decode(values))


def delta_e00(first: npt.ArrayLike, second: npt.ArrayLike) -> Floats:
    """CIEDE2000 difference (kL = kC = kH = 1) of CIELAB colours (..., 3), broadcast against each other.

    Symbols and equation order are those of Sharma, Wu, Dalal (2005).
    """
    a_1, a_2 = np.broadcast_arrays(np.asarray(first, np.float64), np.asarray(second, np.float64))
    L_1, L_2 = a_1[..., 0], a_2[..., 0]
    C_bar = (np.hypot(a_1[..., 1], a_1[..., 2]) + np.hypot(a_2[..., 1], a_2[..., 2])) / 2
    G = 0.5 * (1 - np.sqrt(C_bar**7 / (C_bar**7 + 25.0**7)))
    ap_1, ap_2 = (1 + G) * a_1[..., 1], (1 + G) * a_2[..., 1]
    Cp_1, Cp_2 = np.hypot(ap_1, a_1[..., 2]), np.hypot(ap_2, a_2[..., 2])
    hp_1, hp_2 = _hue_deg(a_1[..., 2], ap_1), _hue_deg(a_2[..., 2], ap_2)

    has_hue = Cp_1 * Cp_2 > 0
    apart = np.abs(hp_2 - hp_1)
    # hues exactly opposite come out a rounding error above or below 180°: pair 14 of the table needs "not above"
    far = apart > 180 + 1e-9
    d_h = np.where(has_hue, hp_2 - hp_1 - np.where(far, np.copysign(360, hp_2 - hp_1), 0), 0)
    total = hp_1 + hp_2
    h_bar = np.where(has_hue, (total + np.where(far, np.where(total < 360, 360, -360), 0)) / 2, total)

    dLp, dCp = L_2 - L_1, Cp_2 - Cp_1
    dHp = 2 * np.sqrt(Cp_1 * Cp_2) * np.sin(np.radians(d_h) / 2)
    L_bar, Cp_bar = (L_1 + L_2) / 2, (Cp_1 + Cp_2) / 2
    S_L, S_C, S_H = _weights(L_bar, Cp_bar, h_bar)
    R_T = -np.sin(2 * np.radians(30 * np.exp(-(((h_bar - 275) / 25) ** 2)))) * (
        2 * np.sqrt(Cp_bar**7 / (Cp_bar**7 + 25.0**7))
    )
    squared = (dLp / S_L) ** 2 + (dCp / S_C) ** 2 + (dHp / S_H) ** 2 + R_T * (dCp / S_C) * (dHp / S_H)
    return np.asarray(np.sqrt(np.maximum(squared, 0)))


def _weights(L_bar: Floats, Cp_bar: Floats, h_bar: Floats) -> tuple[Floats, Floats, Floats]:
    h = np.radians(h_bar)
    T = (
        1
        - 0.17 * np.cos(h - np.radians(30))
        + 0.24 * np.cos(2 * h)
        + 0.32 * np.cos(3 * h + np.radians(6))
        - 0.20 * np.cos(4 * h - np.radians(63))
    )
    S_L = 1 + 0.015 * (L_bar - 50) ** 2 / np.sqrt(20 + (L_bar - 50) ** 2)
    return S_L, 1 + 0.045 * Cp_bar, 1 + 0.015 * Cp_bar * T


def _hue_deg(b: Floats, a: Floats) -> Floats:
    """Hue angle in 0 to 360 degrees; 0 where there is none."""
    return np.asarray(np.where((a == 0) & (b == 0), 0.0, np.degrees(np.arctan2(b, a)) % 360))
