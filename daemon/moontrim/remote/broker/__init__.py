"""The daemon's broker: a mosquitto as a child process, its config, accounts and passwords."""
