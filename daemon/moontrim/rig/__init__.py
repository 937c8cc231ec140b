"""The one owner of a driver: its connection, its dials, and what others request of the radio.

Calls go one way, from the top to the bottom; what happens at the radio goes out as events through
one `report` callback, and is shown in one `LinkView`.

    tracker, keying sequence, other programs
        |
      link            connects, reconnecting, decides what is done next; requests: of others
        |
        +--> lastlook         the last look before RF, and the key
        |      |
        +------+--> bandwatch        enters a band: drive, mode, filter; watches them (panel)
        |      |      |
        +------+------+--> dials          steps: a look before each set, the set, the comparison
        |      |      |      |            pendingsteps: those to come; latency: how long one takes
        +------+------+------+--> readback         looks, and holds the view that is shown
        |      |      |      |      |
        +------+------+------------+--> transmitguard    inhibit, interlock, who has keyed; unkeys
        |      |      |      |      |     |
        +------+------+------+------+-----+--> deadline       a deadline on every answer
                                                 |
                                               driver
"""
