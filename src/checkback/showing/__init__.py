"""A local page for a monitor in the room and one for the control room."""
