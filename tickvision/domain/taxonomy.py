"""The answer space: a table of taxa by stage-and-sex states, and what a label or an answer means in it.

A *cell* is one taxon in one state ("Ixodes scapularis, adult female"). A label is the set of cells it leaves open; an
answer is the set of cells it claims. Class order lives here and nowhere else: `taxa` for the taxon head, `states` for
the stage-sex head, cell k = taxon k // S in state k % S.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.domain.typed import typed
from tickvision.errors import DataError, did_you_mean

Bool = NDArray[np.bool_]
Floats = NDArray[np.float64]
TICK_STATES = (("larva", ""), ("nymph", ""), ("adult", "female"), ("adult", "male"))
MAX_CELLS = 1_000_000


@dataclass(frozen=True)
class Taxon:
    """One node of the tree: leaf taxa are the classes, the others their genera and families. parent "" = top."""

    name: str
    rank: str
    parent: str = ""


@dataclass(frozen=True)
class Cap:
    """For `taxon` in `life_stage` a picture carries the name at most to `limit` (an ancestor). why names the source."""

    taxon: str
    life_stage: str
    limit: str
    why: str


@dataclass(frozen=True)
class Answer:
    """What can be said of a specimen: a taxon at a rank, and a stage and a sex, each "" if not said."""

    scientific_name: str
    rank: str
    life_stage: str = ""
    sex: str = ""

    def __str__(self) -> str:
        stage = " ".join(filter(None, (self.life_stage, self.sex)))
        return f"{self.scientific_name}, {stage}" if stage else self.scientific_name


@dataclass(frozen=True)
class Taxonomy:
    """Taxa, states and caps of one classifier.

    kind: "ticks" (rules R1-R18 bind), "flat" (labels as found) or "table" (own list of taxa with ranks and parents).
    non_target: the leaf for pictures that hold none of the subject, "" if there is none; it has no stage and no sex.
    """

    kind: str
    taxa: tuple[str, ...]
    states: tuple[tuple[str, str], ...]
    nodes: Mapping[str, Taxon]
    caps: tuple[Cap, ...] = ()
    non_target: str = ""
    _cap_of: dict[tuple[str, str], str] = field(default_factory=dict, repr=False, compare=False)
    _rungs: dict[str, tuple[list[Answer], NDArray[np.intp], Bool]] = field(
        default_factory=dict, repr=False, compare=False
    )

    def __post_init__(self) -> None:
        if not self.taxa:
            raise DataError("The taxonomy has no taxa: no label names one. Check the column that holds the names.")
        if self.n_cells > MAX_CELLS:
            raise DataError(f"The taxonomy has {self.n_cells:,} cells; at most {MAX_CELLS:,} are possible.")
        for cap in self.caps:  # the widest limit wins where several caps meet
            key = (cap.taxon, cap.life_stage)
            old = self._cap_of.get(key)
            if old is None or self._depth(cap.limit) < self._depth(old):
                self._cap_of[key] = cap.limit

    @property
    def n_cells(self) -> int:
        """Number of cells K = taxa x states."""
        return len(self.taxa) * len(self.states)

    @property
    def has_sexes(self) -> bool:
        """True if some state has a sex."""
        return any(sex for _, sex in self.states)

    @property
    def has_stages(self) -> bool:
        """True if the states tell more than one stage apart."""
        return len({stage for stage, _ in self.states}) > 1

    @property
    def has_genera(self) -> bool:
        """True if some leaf has a genus above it."""
        return any(self.ancestor(t, "genus") for t in self.taxa)

    def _depth(self, name: str) -> int:
        parent = self.nodes[name].parent
        return 1 + self._depth(parent) if parent else 0

    def lineage(self, name: str) -> list[str]:
        """Return the name and all its ancestors, lowest first."""
        chain = [name]
        while self.nodes[chain[-1]].parent:
            chain.append(self.nodes[chain[-1]].parent)
        return chain

    def ancestor(self, name: str, rank: str) -> str:
        """Return the ancestor-or-self of that rank, or "" if there is none."""
        return next((n for n in self.lineage(name) if self.nodes[n].rank == rank), "")

    def limit(self, taxon: str, life_stage: str) -> str:
        """Return the lowest name that a picture may carry for this leaf at this stage (the leaf itself if uncapped)."""
        return self._cap_of.get((taxon, life_stage), taxon)

    # --- labels -------------------------------------------------------------------------------------------------

    def taxon_mask(self, name: str) -> Bool:
        """Return (T,) bool: the leaves that a name leaves open. "" leaves all open but the non-target.

        Raises DataError if the name is not in the taxonomy.
        """
        if not name:
            return np.array([t != self.non_target for t in self.taxa])
        if name not in self.nodes:
            raise DataError(f"'{name}' is not in the taxonomy.{did_you_mean(name, self.nodes)}")
        mask = np.array([name in self.lineage(t) for t in self.taxa])
        if not mask.any():
            raise DataError(f"'{name}' holds none of the listed taxa.")
        return mask

    def state_mask(self, life_stage: str, sex: str) -> Bool:
        """Return (S,) bool: the states that a stage and a sex (each "" if unknown) leave open.

        Raises DataError if no state fits, such as a larva with a sex.
        """
        mask = np.array([(not life_stage or st == life_stage) and (not sex or sx == sex) for st, sx in self.states])
        if not mask.any():
            known = "; ".join(" ".join(filter(None, s)) or "(no stage)" for s in self.states)
            raise DataError(f"no state is '{' '.join(filter(None, (life_stage, sex)))}' (states: {known}).")
        return mask

    def label_masks(self, name: str, life_stage: str, sex: str) -> tuple[Bool, Bool]:
        """Return (taxon mask (T,), state mask (S,)); the label's cells are their product."""
        if self.non_target and name == self.non_target:
            return self.taxon_mask(name), np.ones(len(self.states), bool)
        return self.taxon_mask(name), self.state_mask(life_stage, sex)

    # --- answers ------------------------------------------------------------------------------------------------

    def answer_for(self, cell: int, rung: str) -> Answer:
        """Return what may be said of a cell on a rung of the ladder, caps obeyed."""
        taxon = self.taxa[cell // len(self.states)]
        stage, sex = self.states[cell % len(self.states)]
        if taxon == self.non_target:
            return Answer(taxon, self.nodes[taxon].rank)
        name = self.limit(taxon, stage)
        if rung.startswith("genus"):
            genus = self.ancestor(taxon, "genus")
            name = name if genus not in self.lineage(taxon) or self._depth(name) < self._depth(genus) else genus
        rank = self.nodes[name].rank
        if rung == "genus":
            return Answer(name, rank)
        return Answer(name, rank, stage, sex if rung.endswith("_sex") else "")

    def claims(self, answer: Answer) -> Bool:
        """Return (K,) bool: the cells that an answer claims."""
        taxa = np.array([answer.scientific_name in self.lineage(t) for t in self.taxa])
        if answer.scientific_name == self.non_target:
            states = np.ones(len(self.states), bool)
        else:
            states = self.state_mask(answer.life_stage, answer.sex)
        return np.outer(taxa, states).ravel()

    def rungs(self) -> tuple[str, ...]:
        """Return the rungs that differ in this taxonomy, finest first."""
        ladder = ["species_stage_sex"]
        if self.has_sexes:
            ladder.append("species_stage")
        if self.has_genera:
            ladder.append("genus_stage")
            if self.has_stages:
                ladder.append("genus")
        return tuple(ladder)

    def rung_answers(self, rung: str) -> tuple[list[Answer], NDArray[np.intp], Bool]:
        """Return (answers, answer index of each cell (K,), cells claimed by each answer (A, K)) of one rung.

        Worked out once for each rung: do not change what is returned.
        """
        if rung not in self._rungs:
            of_cell = [self.answer_for(k, rung) for k in range(self.n_cells)]
            answers = list(dict.fromkeys(of_cell))
            index = {a: i for i, a in enumerate(answers)}
            claims = np.stack([self.claims(a) for a in answers])
            self._rungs[rung] = answers, np.array([index[a] for a in of_cell]), claims
        return self._rungs[rung]

    def answer_probs(self, cells: NDArray[np.floating], rung: str) -> Floats:
        """Return (N, A) the probability of each answer of a rung: cells (N, K), each counted where it is answered."""
        answers, of_cell, _ = self.rung_answers(rung)
        sums = np.zeros((len(answers), len(cells)))
        np.add.at(sums, of_cell, cells.T)
        return np.ascontiguousarray(sums.T)

    # --- file form ----------------------------------------------------------------------------------------------

    def to_json(self) -> dict[str, Any]:
        """Return a JSON-able form; from_json gives an equal taxonomy back."""
        return {
            "kind": self.kind,
            "taxa": list(self.taxa),
            "states": [list(s) for s in self.states],
            "nodes": [[n.name, n.rank, n.parent] for n in self.nodes.values()],
            "caps": [[c.taxon, c.life_stage, c.limit, c.why] for c in self.caps],
            "non_target": self.non_target,
        }

    @classmethod
    def from_json(cls, form: Mapping[str, Any]) -> Taxonomy:
        """Return the taxonomy that to_json wrote. Raises DataError if its names do not make a tree."""
        nodes = {n[0]: typed(Taxon(*n)) for n in form["nodes"]}
        check_tree(nodes)
        strange = {*form["taxa"], *(name for c in form["caps"] for name in (c[0], c[2]))} - set(nodes)
        if strange:
            raise DataError(f"taxon '{min(map(str, strange))}' is not listed.")
        for what, listed in (("taxon", form["taxa"]), ("state", [f"{s[0]} {s[1]}".strip() for s in form["states"]])):
            if twice := [name for name, times in Counter(listed).items() if times > 1]:
                raise DataError(f"{what} '{twice[0]}' is listed twice.")
        return typed(
            cls(
                kind=form["kind"],
                taxa=tuple(form["taxa"]),
                states=tuple((_text(s[0]), _text(s[1])) for s in form["states"]),
                nodes=nodes,
                caps=tuple(typed(Cap(*c)) for c in form["caps"]),
                non_target=form["non_target"],
            )
        )


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"'{value}' is no text")
    return value


def settled(masks: Bool) -> NDArray[np.int64]:
    """Return (N,) the one class that a label (N, K) leaves open, -1 where it leaves several."""
    return np.where(masks.sum(1) == 1, masks.argmax(1), -1).astype(np.int64)


def settled_answers(labels: Bool, claims: Bool) -> NDArray[np.int64]:
    """Return (N,) the narrowest answer whose claimed cells hold the whole label, -1 where none does.

    labels: (N, K), the cells that each label leaves open; claims: (A, K), those of rung_answers. A cap makes answers
    overlap: "Ixodes, nymph", said of one species, claims the nymphs of all, of which others are named in full.
    """
    narrow = np.argsort(claims.sum(1), kind="stable")
    holds = labels.astype(np.float32) @ (~claims[narrow]).T.astype(np.float32) == 0
    return np.where(holds.any(1), narrow[holds.argmax(1)], -1).astype(np.int64)


def check_tree(nodes: Mapping[str, Taxon]) -> None:
    """Raise DataError on a parent that is not listed, or a circle."""
    for taxon in nodes.values():
        if taxon.parent and taxon.parent not in nodes:
            raise DataError(
                f"taxon '{taxon.name}': parent '{taxon.parent}' is not listed.{did_you_mean(taxon.parent, nodes)}"
            )
    for taxon in nodes.values():
        seen, walk = {taxon.name}, taxon.parent
        while walk:
            if walk in seen:
                raise DataError(f"taxon '{taxon.name}' is its own ancestor (through '{walk}').")
            seen.add(walk)
            walk = nodes[walk].parent
