"""An invented town with a known truth; shares no code with what it tests."""
