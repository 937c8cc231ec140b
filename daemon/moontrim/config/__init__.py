"""Every table of the config file. `settings` puts them together and reads the file; each other
module has one table or the tables of one subject."""
