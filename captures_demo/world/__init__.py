"""The world: a behavioural memory card with faults, its traffic, and an asynchronous analyser.

Nothing here knows the engine that is judged against it.
"""
