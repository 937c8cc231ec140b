"""The frequency of a weak carrier in a recording, with its error bound.

`measure` puts the steps together: `baseband` (a band of audio at a low rate), `search` (is there a
tone, and about where), `fit` or `fading` (its exact frequency), `mains` (is it hum), `track` (its
frequency over time). `calibrate` and `configedit` turn the result into an error of the config."""
