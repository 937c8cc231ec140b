"""Radio drivers for moontrim. This package never imports the daemon.

contract    what a driver must do: the class to derive from, its values and its errors
limits      checks of arguments that every driver makes before it sends anything
registry    drivers by name, those of other packages included
rigctld     a radio behind Hamlib's network rig-control protocol
civ         a radio on the addressed binary bus
asciicat    a radio on the semicolon bus
serial      what drivers of radios on a serial port have in common
simulated   a radio in memory: as a driver, on pseudo-terminals and behind TCP

A package of yours adds a driver by deriving from `contract.RigDriver` and declaring the class as an
entry point of the group `moontrim.drivers`; the entry point's name is the driver's name in the
config. `simulated.driver` is the shortest example of a complete driver.
"""
