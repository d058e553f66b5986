"""Plans and mixes in words, as Markdown and as a picture."""
