"""The error family: what happened, what was kept, what to do now."""


class FirstcauseError(Exception):
    """The root: every error a technician may see is one of these, one clear sentence each."""


class CarError(FirstcauseError):
    """The car, the adapter or the bus did it."""


class KnowledgeError(FirstcauseError):
    """An entry of the knowledge base is bad."""


class CaseError(FirstcauseError):
    """A stored or written case cannot be read as it stands."""


class LogError(FirstcauseError):
    """A recorded drive or bus trace cannot be used as it stands."""


class RequestError(FirstcauseError):
    """You asked for something that cannot be done; nothing was changed."""
