"""What a verb raises when a rule of the laboratory says no."""


class Refused(Exception):
    """A sentence for the person who asked: what is so, and what to do next."""


class SetAside(Refused):
    """Something sent could not be recorded as it is; it was kept word for word for staff to look at."""
