"""Say a shift and a turn so that a hand can follow it."""

from __future__ import annotations

MM_STEP, DEG_STEP = 0.05, 0.05


def motion_words(dx_mm: float, dz_mm: float, dpsi_deg: float) -> str:
    """What to do with the cleat on the sole: "move 1.2 mm towards the heel, turn the nose 0.8° inward".

    +x is towards the toe, +z outward; a larger ψ means that the cleat's nose is turned inward on the sole.
    Parts that round to nothing at 0.1 are left out.
    """
    moves = [
        f"{abs(d):.1f} mm {plus if d > 0 else minus}"
        for d, plus, minus in (
            (dx_mm, "towards the toe", "towards the heel"),
            (dz_mm, "outward", "inward"),
        )
        if abs(d) >= MM_STEP
    ]
    words = [f"move {' and '.join(moves)}"] if moves else []
    if abs(dpsi_deg) >= DEG_STEP:
        words.append(f"turn the nose {abs(dpsi_deg):.1f}° {'inward' if dpsi_deg > 0 else 'outward'}")
    return ", ".join(words) or "leave it as it is"


def shortfall_words(dx_mm: float, dz_mm: float, dpsi_deg: float) -> str:
    """What is missing to a wish: "2.4 mm short towards the heel, 1.0° short of turning the nose inward"."""
    words = [
        f"{abs(d):.1f} mm short {plus if d > 0 else minus}"
        for d, plus, minus in (
            (dx_mm, "towards the toe", "towards the heel"),
            (dz_mm, "outward", "inward"),
        )
        if abs(d) >= MM_STEP
    ]
    if abs(dpsi_deg) >= DEG_STEP:
        words.append(
            f"{abs(dpsi_deg):.1f}° short of turning the nose {'inward' if dpsi_deg > 0 else 'outward'}"
        )
    return ", ".join(words) or "reachable"
