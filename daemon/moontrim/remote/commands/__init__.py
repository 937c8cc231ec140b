"""The commands of phones: how they are parsed, and which are carried out."""
