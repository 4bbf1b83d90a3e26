"""The case as a DICOM Procedure Log, and back.

`codes` holds the coded terms, `layout` says which of them each kind of entry uses, `log` writes,
`reading` reads, `checks` holds a log against the rules of the standard, `coverage` says what does
not fit.  Everything is written from the layout and read from codes by the same layout.
"""
