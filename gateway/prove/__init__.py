"""Whether the decisions can ever do what they must not, answered by trying everything that a site allows.

Read ``explore`` first. The real ``core.scan`` is driven; what must hold is judged by ``oracle``, from the
configuration alone.
"""
