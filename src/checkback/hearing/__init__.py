"""Sound and pedals come in, utterances go out."""
