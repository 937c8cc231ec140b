"""The 1 Hz loop: what each second asks of the dials, and who may change that."""
