"""A simulated radio with the faults of real ones, its driver, and the wires to it.

options       what the radio can do, and its faults
radio         the radio itself; receivers: one with a second receiver
driver        the driver contract without a wire
line, pty     the radio's end of a serial line; the same on a pseudo-terminal
civ, asciicat how the radio answers on the two serial buses
rigctld       the radio behind Hamlib's network protocol"""
