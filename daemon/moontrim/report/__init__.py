"""The report on a recorded session: figures, pictures and evidence, from the journal.

journal --> recorded, station --> facts (added up) --------------+--> report --> page (HTML)
                 |                                               |         \\--> export (rows,
                 +--> recomputed (the path solved once more) ----+               JSON)
"""
