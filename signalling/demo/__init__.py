"""The demonstration: Merrow Bay with its trains, over real links inside this process."""
