"""Circles in a graph of names. Knows nothing of what the names mean."""

from collections.abc import Iterator, Mapping


def circles(graph: Mapping[str, list[str]]) -> Iterator[list[str]]:
    """Every circle that a walk through a graph meets, its first name repeated at the end."""
    done: set[str] = set()
    for start in graph:
        way: list[str] = []
        ahead = [iter([start])]
        while ahead:
            following = next(ahead[-1], None)
            if following is None:
                ahead.pop()
                done.update(way[-1:])
                del way[-1:]
            elif following in way:
                yield [*way[way.index(following) :], following]
            elif following not in done:
                way.append(following)
                ahead.append(iter(graph.get(following, [])))
