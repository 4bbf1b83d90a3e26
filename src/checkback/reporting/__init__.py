"""What leaves the case: tables and the draft narrative."""
