# What the board runs at power-on.

from start import start, turn

started = start()
while started:
    turn(*started)
