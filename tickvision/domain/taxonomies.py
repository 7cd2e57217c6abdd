"""The answer spaces that a job can have: listed ticks with their caps, labels as found, or an own table of taxa."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from tickvision.domain import names
from tickvision.domain.tables import rows
from tickvision.domain.taxonomy import TICK_STATES, Cap, Taxon, Taxonomy, check_tree
from tickvision.errors import DataError, did_you_mean


def tick_taxonomy(taxa: Iterable[str], non_target: str = "") -> Taxonomy:
    """Return the tick taxonomy of the listed species, with genera, families and the caps of caps.csv.

    Raises DataError if a name is not an accepted species of taxa.csv.
    """
    listed = tuple(taxa)
    strangers = [t for t in listed if not names.species().get(t)]
    if strangers:
        hint = did_you_mean(strangers[0], names.species())
        raise DataError(
            f"taxonomy.taxa: {', '.join(strangers)} not among the accepted species of the tick table.{hint}"
        )
    nodes: dict[str, Taxon] = {names.ORDER: Taxon(names.ORDER, "order")}
    for name in listed:
        genus = names.species()[name]
        family = names.genera()[genus]
        nodes.setdefault(family, Taxon(family, "family", names.ORDER))
        nodes.setdefault(genus, Taxon(genus, "genus", family))
        nodes[name] = Taxon(name, "species", genus)
    if non_target:
        nodes[non_target] = Taxon(non_target, "none")
    leaves = (*listed, non_target) if non_target else listed
    return Taxonomy("ticks", leaves, TICK_STATES, nodes, tuple(_tick_caps(listed, nodes)), non_target)


def _tick_caps(listed: tuple[str, ...], nodes: Mapping[str, Taxon]) -> list[Cap]:
    """Return the caps that bind the listed species: a pair's cap binds when both are listed."""
    caps = []
    for row in rows("caps"):
        pair = [row["taxon_a"], row["taxon_b"]]
        if pair[0] == "*":
            bound = list(listed)
        elif all(p in listed for p in pair if p):
            bound = [p for p in pair if p]
        else:
            continue
        stages = ("larva", "nymph", "adult") if row["life_stage"] == "any" else (row["life_stage"],)
        caps += [Cap(t, s, nodes[t].parent, f"{row['reason']} ({row['source']})") for t in bound for s in stages]
    return caps


def flat_taxonomy(labels: Iterable[tuple[str, str, str]], non_target: str = "") -> Taxonomy:
    """Return a taxonomy of labels as found: (name, stage, sex) triples, each part "" if unknown. No caps, no rules."""
    triples = list(labels)
    taxa = sorted({n for n, _, _ in triples if n} - {non_target})
    stages = sorted({st for _, st, _ in triples if st})
    states: list[tuple[str, str]] = []
    for stage in stages or [""]:
        sexes = sorted({sx for _, st, sx in triples if sx and (st == stage or not stages)})
        states += [(stage, sx) for sx in sexes] or [(stage, "")]
    nodes = {t: Taxon(t, "species") for t in taxa}
    if non_target:
        nodes[non_target] = Taxon(non_target, "none")
        taxa.append(non_target)
    return Taxonomy("flat", tuple(taxa), tuple(states), nodes, (), non_target)


def table_taxonomy(taxa: Iterable[Taxon], states: Iterable[tuple[str, str]], non_target: str = "") -> Taxonomy:
    """Return a taxonomy from an own list of taxa with ranks and parents; the leaves are those that parent nothing.

    Raises DataError on a parent that is not listed or a circle.
    """
    nodes = {t.name: t for t in taxa}
    check_tree(nodes)
    parents = {t.parent for t in nodes.values()}
    leaves = tuple(n for n in nodes if n not in parents)
    if non_target:
        nodes[non_target] = Taxon(non_target, "none")
        leaves = (*leaves, non_target)
    return Taxonomy("table", leaves, tuple(states), nodes, (), non_target)
