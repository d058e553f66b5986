"""What a proof needs of the world: a folder to resume from, words to tell it."""
