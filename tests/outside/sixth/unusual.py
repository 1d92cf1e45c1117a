from .case import Case, make
def make_unusual(seed: int) -> Case:
    return make("healthy", seed)
