"""Parts of a graph within which everything leads to everything, in the order in which one comes to them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple


class Part(NamedTuple):
    """Nodes that all lead to each other, and the parts (by index, all earlier) that lead here."""

    nodes: tuple[int, ...]
    before: tuple[int, ...]


def parts_of(nodes: Iterable[int], leads: Callable[[int], Sequence[int]]) -> list[Part]:
    """The strongly connected parts of a graph, each before all that are reached from it.

    Tarjan's algorithm (Depth-first search and linear graph algorithms, SIAM J. Comput. 1, 1972; from memory), without
    recursion: it finds a part only after all that the part leads to, so its order is turned round at the end.
    """
    index: dict[int, int] = {}
    low: dict[int, int] = {}
    stack: list[int] = []
    stands: dict[int, int] = {}
    found: list[tuple[int, ...]] = []
    for root in nodes:
        if root in index:
            continue
        index[root] = low[root] = len(index)
        stands[root] = len(stack)
        stack.append(root)
        work = [(root, iter(leads(root)))]
        while work:
            node, rest = work[-1]
            for to in rest:
                if to not in index:
                    index[to] = low[to] = len(index)
                    stands[to] = len(stack)
                    stack.append(to)
                    work.append((to, iter(leads(to))))
                    break
                if to in stands:
                    low[node] = min(low[node], index[to])
            else:
                work.pop()
                if work:
                    above = work[-1][0]
                    low[above] = min(low[above], low[node])
                if low[node] == index[node]:
                    found.append(tuple(stack[stands[node] :]))
                    del stack[stands[node] :]
                    for one in found[-1]:
                        del stands[one]
    found.reverse()
    part = {node: at for at, some in enumerate(found) for node in some}
    before: list[set[int]] = [set() for _ in found]
    for at, some in enumerate(found):
        for node in some:
            for to in leads(node):
                if part[to] != at:
                    before[part[to]].add(at)
    return [Part(some, tuple(sorted(ahead))) for some, ahead in zip(found, before, strict=True)]
