"""What the parts of a paper are, for those who have it read to them: tags (ISO 32000-1, 14.8)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from rig.report.paper_pdf import Pdf, text_string


@dataclass(frozen=True, slots=True, eq=False)
class Element:
    """A part of a report, by a standard role such as "P", "H2" or "TD" (14.8.4), in another part.

    `alt` stands for what has no text; `scope`, "Row" or "Column", is what a head of a table heads.
    """

    role: str
    within: Element | None = None
    alt: str = ""
    scope: str = ""


@dataclass(slots=True)
class Tags:
    """The elements of each page in the order in which they are marked there."""

    pages: list[list[Element]] = field(default_factory=list)

    def turn(self) -> None:
        """Go on to the next page."""
        self.pages.append([])

    def marked(self, operators: str, element: Element | None) -> str:
        """Return operators marked as a piece of an element; of none, as no part of the text."""
        if element is None:
            return f"/Artifact BMC {operators} EMC"
        self.pages[-1].append(element)
        return f"/{element.role} << /MCID {len(self.pages[-1]) - 1} >> BDC {operators} EMC"

    def added(self, pdf: Pdf, leaves: Sequence[int]) -> int:
        """Add the tree of elements (14.7.2) of pages by their objects; return its number."""
        root, whole = pdf.reserve(), pdf.reserve()
        pieces: dict[Element, list[tuple[int, int]]] = {}
        within: dict[Element | None, list[Element]] = {None: []}
        for leaf, marked in zip(leaves, self.pages, strict=True):
            for number, element in enumerate(marked):
                _place(element, within)
                pieces.setdefault(element, []).append((leaf, number))
        numbers = {element: pdf.reserve() for inside in within.values() for element in inside}
        for element, number in numbers.items():
            above = whole if element.within is None else numbers[element.within]
            kids = _kids([numbers[inside] for inside in within[element]])
            kids = kids or _pieces(pieces[element])
            pdf.set(number, _element(element, above, kids))
        kids = _kids([numbers[element] for element in within[None]])
        pdf.set(whole, _element(Element("Document"), root, kids))
        rows = [" ".join(f"{numbers[e]} 0 R" for e in marked) for marked in self.pages]
        pages = " ".join(f"{at} [{row}]" for at, row in enumerate(rows))
        parents = pdf.add(f"<< /Nums [{pages}] >>".encode("ascii"))
        tree = f"/Type /StructTreeRoot /K {whole} 0 R /ParentTree {parents} 0 R"
        pdf.set(root, f"<< {tree} /ParentTreeNextKey {len(rows)} >>".encode("ascii"))
        return root


def _place(element: Element, within: dict[Element | None, list[Element]]) -> None:
    """Put an element among those within the same one, where it is not yet, that one likewise."""
    if element in within:
        return
    within[element] = []
    if element.within is not None:
        _place(element.within, within)
    within[element.within].append(element)


def _kids(numbers: Sequence[int]) -> str:
    return f"/K [{' '.join(f'{number} 0 R' for number in numbers)}]" if numbers else ""


def _pieces(found: Sequence[tuple[int, int]]) -> str:
    """Return where the pieces of an element are: pages, and their numbers there."""
    leaves = {leaf for leaf, _ in found}
    if len(leaves) == 1:
        marked = " ".join(str(number) for _, number in found)
        return f"/Pg {leaves.pop()} 0 R /K [{marked}]"
    told = (f"<< /Type /MCR /Pg {leaf} 0 R /MCID {number} >>" for leaf, number in found)
    return f"/K [{' '.join(told)}]"


def _element(element: Element, above: int, kids: str) -> bytes:
    more = f" /Alt {text_string(element.alt)}" if element.alt else ""
    if element.scope:
        more += f" /A << /O /Table /Scope /{element.scope} >>"
    return f"<< /S /{element.role} /P {above} 0 R {kids}{more} >>".encode("ascii")
