"""A GPS receiver: where home is, and a second opinion on the time.

fix           positions, fixes, and what follows from them for home (pure)
gpsd, nmea    fixes from gpsd, and from a receiver on a serial port
receiver      keeps one of them running
home          home by the receiver
timecheck     what a fix says about the clock"""
