"""What a printer makes of 100 mm, and what is done about it on papers that are drawn 1:1.

A printer that feeds its paper a little short or long is helped: the drawing is made larger or smaller by what the
ruler read, across and along each by itself, so that on paper it is 1:1. That is done up to 1 %. What is further off
is no printer's habit but a setting ("fit to page", another paper), which the next print may not have: then nothing is
drawn to be laid on a shoe. The limits are our choice: 0.2 mm is what a ruler can tell, 1 % what rollers and heat do.
"""

from __future__ import annotations

from dataclasses import dataclass

from fitwright.quantity import Z95

BAR_MM = 100.0
U_RULER_MM = 0.1
"""Standard uncertainty of a 100 mm bar read once with a good ruler (common practice, no source)."""
TRUE_MM, MOST_MM = 0.2, 1.0


@dataclass(frozen=True)
class PrintScale:
    """A printer as it was checked: what the ruler read of the bar across and along the paper, mm, and when."""

    printer: str
    across_mm: float
    along_mm: float
    day: str

    @property
    def off_mm(self) -> float:
        """The larger of both errors over 100 mm."""
        return max(abs(self.across_mm - BAR_MM), abs(self.along_mm - BAR_MM))

    @property
    def state(self) -> str:
        """`true` (drawn as it is), `mended` (drawn larger or smaller) or `refused`."""
        off = round(self.off_mm, 6)
        return "true" if off <= TRUE_MM else "mended" if off <= MOST_MM else "refused"

    @property
    def factors(self) -> tuple[float, float]:
        """By how much a drawing is stretched across and along before it is printed."""
        if self.state != "mended":
            return 1.0, 1.0
        return BAR_MM / self.across_mm, BAR_MM / self.along_mm

    @property
    def half_width_mm(self) -> float:
        """95 % of what stays unknown over 100 mm of print: the ruler's reading, and what was left as it is."""
        left = 0.0 if self.state == "mended" else self.off_mm
        return Z95 * float((U_RULER_MM**2 + left**2 / 3) ** 0.5)

    @property
    def words(self) -> str:
        """For the paper: which printer, what its bar read, what was done."""
        read = f"{self.across_mm:.1f} mm across and {self.along_mm:.1f} mm along"
        done = "drawn as it is"
        if self.state != "true":
            (across, wider), (along, longer) = (
                (f"{100 * abs(f - 1):.2f}", "larger" if f >= 1 else "smaller") for f in self.factors
            )
            done = f"drawn {across} % {wider} across, {along} % {longer} along to make up for it"
        return (
            f"For the printer “{self.printer}” alone, whose bar read {read} on {self.day}: {done}. "
            f"What stays unknown is ± {self.half_width_mm:.1f} mm in 100 mm."
        )


UNCHECKED = (
    "Not drawn for a printer that was checked. If the bar is off by more than 0.2 mm, do not lay this on a shoe: "
    "check the printer on the page Printers."
)
