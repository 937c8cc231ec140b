"""The broker of our own: a mosquitto as a child process, its config, accounts and passwords."""
