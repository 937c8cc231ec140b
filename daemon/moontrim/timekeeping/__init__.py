"""How far the machine's clock can be trusted. It is trusted on the report of the program that keeps
it right; without one there is no transmitting.

trust        whether the clock may be trusted now
sources      the sources of time of this machine, and the best one
chrony, timesyncd, adjtimex   one source each
clockjumps   steps of the clock and suspensions of the machine
reading, clockview   what a source reports; what others see of the clock"""
