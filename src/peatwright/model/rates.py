"""Output and price of each kind of work, each with a low, likely and high figure."""

from __future__ import annotations

from dataclasses import dataclass

from peatwright.model.cited import cited

STONE_TIMBER = "derived from aitchconservation.com, Peak Naze gully blocking 2017"


@dataclass(frozen=True)
class Rates:
    """Rates table. Money is in the site's currency; a range is given as low, likely, high."""

    currency: str = cited("GBP", "", "currency of all rates",
        choices=("GBP", "EUR", "USD", "CAD", "SEK", "NOK", "DKK"))  # fmt: skip
    day_low: float = cited(500.0, "money/day", "machine with operator, low", 1, 1e5, read="memory")
    day_likely: float = cited(
        650.0, "money/day", "machine with operator, likely", 1, 1e5, read="memory"
    )
    day_high: float = cited(
        800.0, "money/day", "machine with operator, high", 1, 1e5, read="memory"
    )
    hours_per_day: float = cited(8.0, "h/day", "working hours of a machine day", 1, 24)
    minutes_wave_dam_low: float = cited(
        4.0, "min", "one wave dam of the least width, quick", 0.1, 600
    )
    minutes_wave_dam_likely: float = cited(
        8.0, "min", "one wave dam of the least width with pool, outlet and dressing", 0.1, 600,
        source="IUCN UK Peatland Programme 2021 tells of 1-2 minutes for the bare feature; "
        "bevelled pool, outlet and dressing are judgement",
    )  # fmt: skip
    minutes_wave_dam_high: float = cited(
        15.0, "min", "one wave dam of the least width, slow", 0.1, 600
    )
    minutes_extra_bucket: float = cited(1.5, "min", "each bucket of width beyond the least", 0, 60)
    minutes_peat_dam_low: float = cited(
        6.0, "min", "one peat dam, quick (80 a day)", 0.1, 600, read="memory"
    )
    minutes_peat_dam_likely: float = cited(
        8.0, "min", "one peat dam (60 a day)", 0.1, 600, read="memory"
    )
    minutes_peat_dam_high: float = cited(
        12.0, "min", "one peat dam, slow (40 a day)", 0.1, 600, read="memory"
    )
    zip_m_per_hour_low: float = cited(15.0, "m/h", "zippering, slow", 0.5, 500)
    zip_m_per_hour_likely: float = cited(25.0, "m/h", "zippering", 0.5, 500)
    zip_m_per_hour_high: float = cited(40.0, "m/h", "zippering, quick", 0.5, 500)
    reprofile_m_per_day_low: float = cited(80.0, "m/day", "reprofiling, slow", 1, 5000)
    reprofile_m_per_day_likely: float = cited(
        118.0, "m/day", "reprofiling, beside 11 dams a day", 1, 5000,
        source="derived from staginfrastructure.co.uk, Achnacarry phase 3, if 65 days", read="via",
    )  # fmt: skip
    reprofile_m_per_day_high: float = cited(160.0, "m/day", "reprofiling, quick", 1, 5000)
    minutes_spoil_gap_low: float = cited(1.0, "min", "one gap or break in spoil, quick", 0, 600)
    minutes_spoil_gap_likely: float = cited(2.0, "min", "one gap or break in spoil", 0, 600)
    minutes_spoil_gap_high: float = cited(5.0, "min", "one gap or break in spoil, slow", 0, 600)
    hours_timber_dam_low: float = cited(1.0, "h", "one timber dam, quick", 0.1, 80)
    hours_timber_dam_likely: float = cited(2.0, "h", "one timber dam", 0.1, 80)
    hours_timber_dam_high: float = cited(4.0, "h", "one timber dam, slow", 0.1, 80)
    hours_stone_dam_low: float = cited(0.5, "h", "one stone dam, quick", 0.1, 80)
    hours_stone_dam_likely: float = cited(1.0, "h", "one stone dam", 0.1, 80)
    hours_stone_dam_high: float = cited(2.0, "h", "one stone dam, slow", 0.1, 80)
    hours_piling_dam_low: float = cited(1.0, "h", "one piled dam, quick", 0.1, 80)
    hours_piling_dam_likely: float = cited(2.5, "h", "one piled dam", 0.1, 80)
    hours_piling_dam_high: float = cited(5.0, "h", "one piled dam, slow", 0.1, 80)
    timbers_per_dam: float = cited(
        6.0, "timbers", "timbers in one timber dam", 1, 60, source=STONE_TIMBER, read="via"
    )
    stone_t_per_dam: float = cited(
        0.75, "t", "stone in one stone dam", 0.1, 30, source=STONE_TIMBER, read="via"
    )
    timber_low: float = cited(8.0, "money", "one timber delivered, low", 0, 1e4)
    timber_likely: float = cited(12.0, "money", "one timber delivered", 0, 1e4)
    timber_high: float = cited(20.0, "money", "one timber delivered, high", 0, 1e4)
    stone_low: float = cited(40.0, "money/t", "stone delivered to the dam, low", 0, 1e4)
    stone_likely: float = cited(90.0, "money/t", "stone delivered to the dam", 0, 1e4)
    stone_high: float = cited(250.0, "money/t", "stone flown to the dam", 0, 1e4)
    piling_low: float = cited(60.0, "money/m²", "piling, low", 0, 1e4)
    piling_likely: float = cited(90.0, "money/m²", "piling", 0, 1e4)
    piling_high: float = cited(140.0, "money/m²", "piling, high", 0, 1e4)
    move_minutes: float = cited(1.0, "min", "tracking from one item to the next", 0, 60)
    move_in_out: float = cited(2500.0, "money", "bringing the machine to the site and away", 0, 1e6)
    supervision_ratio: float = cited(0.10, "ratio", "supervision as share of the works", 0, 1)
    contingency_ratio: float = cited(0.10, "ratio", "contingency as share of the works", 0, 1)
