"""The journal: the record of every session, one SQLite file per station.

schema      the tables, what their columns mean, how numbers are kept small
records     what is written, as frozen values
recorder    snapshots in, records out (pure)
notes       who asked for what, and what became of it
codes       tracking and keying as numbers, by the file's own table of names
station     what the config says about the station, kept with each session
opening     the file on disk: made, checked, opened, set aside
file        records become rows
keep        it never grows beyond its size
writer      the one thread that writes
companion   all of it beside a daemon
read        how others open it

Nothing here ever makes the daemon wait for a disk."""
