"""Rehearsals: the whole daemon on a simulated radio and a clock of its own, judged by what the
radio's dials did.

`rehearsal` runs a window, `judgement` judges the record of it; `faults` causes faults, `faultjudge`
judges how each is overcome; `picture` draws."""
