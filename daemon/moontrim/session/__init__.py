"""The operator's choices (`session`), the commands that change them (`commands`), what they come to
under the settings (`selection`), and the file that keeps them (`sessionfile`)."""
