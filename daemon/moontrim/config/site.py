"""A place in the config file: a locator, or latitude and longitude."""

from __future__ import annotations

from pydantic import Field, model_validator

from moontrim.config.mistakes import FieldMistake
from moontrim.config.table import Table
from moontrim.errorbudget.uncertainties import PlaceUncertainty
from moontrim.errors import InputError
from moontrim.path.site import Site, parse_site


class SiteSettings(Table):
    """The position of a station: a locator, or latitude and longitude."""

    locator: str | None = Field(
        None,
        description="Maidenhead locator of 4 to 12 characters; from 10 GHz up at least 8, better "
        "10.",
    )
    latitude_deg: float | None = Field(
        None, ge=-90, le=90, description="WGS84 latitude, north positive."
    )
    longitude_deg: float | None = Field(
        None, ge=-180, le=180, description="WGS84 longitude, east positive."
    )
    height_m: float = Field(0.0, ge=-500, le=9000, description="Height above the WGS84 ellipsoid.")
    position_uncertainty_m: float | None = Field(
        None,
        ge=0,
        le=100_000,
        description="Horizontal uncertainty of the position (1 sigma), for the error budget; the "
        "size of a locator's square is added. About 5 for a satellite receiver.",
    )
    height_uncertainty_m: float | None = Field(
        None, ge=0, le=10_000, description="Uncertainty of the height (1 sigma)."
    )

    @model_validator(mode="after")
    def _one_way_to_say_it(self) -> SiteSettings:
        coordinates = (self.latitude_deg is not None, self.longitude_deg is not None)
        if self.locator is not None:
            if any(coordinates):
                raise ValueError("locator and coordinates given; expected only one of them")
            try:
                self.site()
            except InputError as error:
                raise FieldMistake(error) from None
        elif not all(coordinates):
            raise ValueError("locator missing, or both latitude_deg and longitude_deg")
        return self

    def site(self) -> Site:
        """Returns the place as the path physics takes it."""
        if self.locator is not None:
            return parse_site(self.locator, "locator", self.height_m)
        assert self.latitude_deg is not None and self.longitude_deg is not None
        return Site(self.latitude_deg, self.longitude_deg, self.height_m)

    def uncertainty(self) -> PlaceUncertainty:
        """How well the place is known, besides the size of a locator's square."""
        return PlaceUncertainty(self.position_uncertainty_m, self.height_uncertainty_m)
