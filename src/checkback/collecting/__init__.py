"""What many cases amount to: one digest a case, and the laboratory's questions over all of them."""
