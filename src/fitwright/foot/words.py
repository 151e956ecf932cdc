"""Say a shift and a turn so that a hand can follow it.

+x is towards the toe, +z outward; a larger ψ means that the cleat's nose is turned inward on the sole. Parts that
round to nothing at 0.1 are left out.
"""

from __future__ import annotations

MM_STEP, DEG_STEP = 0.05, 0.05


def shift_words(dx_mm: float, dz_mm: float, joint: str = " and ") -> str:
    """`3.0 mm towards the heel and 1.0 mm inward`; empty for no shift."""
    return joint.join(
        f"{abs(d):.1f} mm {plus if d > 0 else minus}"
        for d, plus, minus in ((dx_mm, "towards the toe", "towards the heel"), (dz_mm, "outward", "inward"))
        if abs(d) >= MM_STEP
    )


def turn_words(dpsi_deg: float, lead: str = "turn the nose ") -> str:
    """`turn the nose 2.0° inward`; empty for no turn."""
    if abs(dpsi_deg) < DEG_STEP:
        return ""
    return f"{lead}{abs(dpsi_deg):.1f}° {'inward' if dpsi_deg > 0 else 'outward'}"


def motion_words(dx_mm: float, dz_mm: float, dpsi_deg: float) -> str:
    """What to do with the cleat on the sole: "move 1.2 mm towards the heel, turn the nose 0.8° inward"."""
    shift, turn = shift_words(dx_mm, dz_mm), turn_words(dpsi_deg)
    words = [f"move {shift}" if shift else "", turn]
    return ", ".join(w for w in words if w) or "leave it as it is"


def left_words(dx_mm: float, dz_mm: float, dpsi_deg: float) -> str:
    """What is left of a way: "0.1 mm towards the heel, nose 0.2° inward"; empty when nothing is."""
    return ", ".join(w for w in (shift_words(dx_mm, dz_mm, ", "), turn_words(dpsi_deg, "nose ")) if w)


def shortfall_words(dx_mm: float, dz_mm: float, dpsi_deg: float) -> str:
    """What is missing to a wish: "2.4 mm short towards the heel, 1.0° short of turning the nose inward"."""
    x, z, turn = f"{abs(dx_mm):.1f} mm", f"{abs(dz_mm):.1f} mm", f"{abs(dpsi_deg):.1f}°"
    words = []  # each whole, so that each can be told in another language by itself
    if abs(dx_mm) >= MM_STEP:
        words.append(f"{x} short towards the toe" if dx_mm > 0 else f"{x} short towards the heel")
    if abs(dz_mm) >= MM_STEP:
        words.append(f"{z} short outward" if dz_mm > 0 else f"{z} short inward")
    if abs(dpsi_deg) >= DEG_STEP:
        inward = dpsi_deg > 0
        words.append(
            f"{turn} short of turning the nose inward"
            if inward
            else f"{turn} short of turning the nose outward"
        )
    return ", ".join(words) or "reachable"
