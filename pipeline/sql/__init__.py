"""SQL files, one statement each, named for the table it makes."""
