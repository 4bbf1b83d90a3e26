"""With this file here, tests can import the modules that stand beside it."""
