"""Foot pedals: what was pressed, how, and on which device.

A change of a key passes through these in turn: a source (`keyboard`, `linux`, `stream`), a
`deck.Deck` (bounce, gestures, talk), and out as a `PedalEvent`.  `opening.open_pedal` picks the source.
"""
