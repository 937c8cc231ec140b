"""Forecast: when the Moon is above the horizon at both ends, and what each of those hours offers.

`compute.forecast` is pure: a `question.ForecastQuestion` in, a `compute.Forecast` out;
`compute.coming_windows` is the short form for a running daemon. `sky` holds what adds noise or
takes signal away, `shown` what prints, draws or writes a finished forecast."""
