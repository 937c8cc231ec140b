"""Safe distances against the table for a moonbounce array in FCC OET Bulletin 65, Supplement B:
eight 17-element Yagis, 24 dBi, 144 MHz; controlled and uncontrolled environment, in feet."""

import pytest

from moontrim.forecast.sky.exposure import limit_w_m2, safe_distance_m

FOOT_M = 0.3048


@pytest.mark.parametrize(
    ("power_w", "controlled_ft", "uncontrolled_ft"), [(500.0, 166, 371), (1500.0, 287, 642)]
)
def test_the_bulletins_moonbounce_array(
    power_w: float, controlled_ft: int, uncontrolled_ft: int
) -> None:
    for whom, printed_ft in (("occupational", controlled_ft), ("public", uncontrolled_ft)):
        feet = safe_distance_m(power_w, 24.0, 144e6, "FCC", whom) / FOOT_M  # type: ignore[arg-type]
        assert feet == pytest.approx(printed_ft, abs=1.0)


def test_limits_of_icnirp_2020_as_printed() -> None:
    """Whole body, 30 min: 2 W/m2 to 400 MHz, f/200 to 2 GHz, 10 above; five times that at work."""
    for mhz, public in ((144.0, 2.0), (432.0, 2.16), (1296.0, 6.48), (10368.0, 10.0)):
        assert limit_w_m2(mhz * 1e6, "ICNIRP", "public") == pytest.approx(public)
        assert limit_w_m2(mhz * 1e6, "ICNIRP", "occupational") == pytest.approx(5 * public)


def test_limits_have_no_steps() -> None:
    for rules, edges in (("FCC", (300e6, 1500e6)), ("ICNIRP", (400e6, 2000e6))):
        for hz in edges:
            for whom in ("public", "occupational"):
                below = limit_w_m2(hz - 1.0, rules, whom)  # type: ignore[arg-type]
                above = limit_w_m2(hz + 1.0, rules, whom)  # type: ignore[arg-type]
                assert below == pytest.approx(above, rel=1e-6)


def test_below_30_mhz_is_not_ours() -> None:
    with pytest.raises(ValueError, match="30 MHz"):
        limit_w_m2(14e6, "FCC", "public")
