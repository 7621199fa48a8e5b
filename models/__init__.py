"""Pure mathematics: arrays in, frozen results out; no files, SQL, screens."""
