"""Rules for docstrings: numpydoc sections that match the code, units in square brackets.

Each rule takes a piece of syntax tree and gives its problems as lines of text, so that the rules
themselves can be tried on small examples.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Container

from tests.source_tree import FunctionNode, own_statements

UNITS = {
    "A", "Hz", "J", "K", "MJ", "N", "Nm", "Pa", "V", "W", "bar", "cSt", "cm3", "deg", "degC",
    "g", "kJ", "kPa", "kW", "kg", "m", "m2", "m3", "mPa", "min", "mm2", "ms", "ns", "ohm",
    "rad", "rev", "rpm", "s", "s2", "deg2", "rad2", "Pa2", "Pa3", "rpm2",
    "step", "steps", "tick", "ticks",
}  # fmt: skip
"""Names of units that may stand in square brackets."""
WORDS_AMONG_UNITS = {"per", "and", "or", "x", "1", "-", "any", "100", "1000"}
SPELT_OUT = {"second": "s", "degree": "deg", "minute": "min"}
NOT_UNITS_IN_NAMES = (["min"], ["step"], ["tick"])
"""Ends of names that are words first: a lowest value, the next step."""
NOT_A_QUANTITY = {"Block", "Callable", "bool", "callable", "str"}
"""Types of arguments that have no unit: records hold many, and these are no numbers."""
NOT_TELLING = {"Any", "Callable", "NDArray"}
"""Types that leave open what an argument is."""
SOURCE = re.compile(r"^ *(Source:\s*\S.{7,}|References\n *-{3,}\n)|common practice, no source", re.MULTILINE)

Entries = dict[str, str]


def decorators(node: FunctionNode | ast.ClassDef) -> set[str]:
    """Last part of the name of each decorator."""
    called = [d.func if isinstance(d, ast.Call) else d for d in node.decorator_list]
    return {ast.unparse(d).rpartition(".")[2] for d in called}


def arguments(function: FunctionNode) -> dict[str, str]:
    """Names of all arguments but self and cls, each with its annotation as text."""
    given = function.args
    every = [*given.posonlyargs, *given.args, given.vararg, *given.kwonlyargs, given.kwarg]
    return {
        a.arg: ast.unparse(a.annotation) if a.annotation else ""
        for a in every
        if a is not None and a.arg not in {"self", "cls"}
    }


def section(docstring: str, title: str) -> str:
    """Text of one numpydoc section, empty if there is none."""
    found = re.search(
        rf"^{title}\n-{{3,}}\n(.*?)(?=^\S[^\n]*\n-{{3,}}\n|\Z)", docstring, re.MULTILINE | re.DOTALL
    )
    return found.group(1) if found else ""


def entries(text: str) -> Entries:
    """Names described in a section ("a, b : float" is two), each with its type and description."""
    found: Entries = {}
    for block in re.split(r"^(?=\S)", text, flags=re.MULTILINE):
        names = block.partition("\n")[0].partition(" :")[0]
        for name in names.split(","):
            if name.strip():
                found[name.strip().lstrip("*")] = block
    return found


def unit_words(text: str) -> list[str]:
    """Units named in a bracket or at the end of a name, in order, without the words between."""
    words = [re.sub(r"^10*(?=rpm)", "", w) for w in re.split(r"[\s,/*·^()_]+", text) if w]
    return [SPELT_OUT.get(w, w) for w in words if w not in WORDS_AMONG_UNITS]


def unit_brackets(text: str) -> list[str]:
    """Square brackets of a description that hold units and nothing else."""
    brackets = re.findall(r"\[([^\[\]]+)\]", text)
    return [b for b in brackets if UNITS.issuperset(unit_words(b)) and re.search(r"[^\d\s,.]", b)]


def unit_of_name(name: str) -> list[str]:
    """Words of the unit at the end of a name: ``speed_rad_s`` gives rad and s, ``ratio`` none."""
    tail: list[str] = []
    for part in reversed(name.split("_")[1:]):
        units = unit_words(part)
        if part != "per" and not (units and UNITS.issuperset(units)):
            break
        tail.insert(0, part)
    return [] if tail[-1:] in NOT_UNITS_IN_NAMES else tail


def unit_problems(name: str, entry: str) -> list[str]:
    """A name that ends in a unit is described in that unit.

    The bracket must name the last units of the name, all or some: ``valve_step_s`` may be in [s],
    but ``map_Pa`` not in [kPa]. A name with ``per`` may leave the first half of its unit unsaid.
    """
    tail = unit_of_name(name)
    brackets = unit_brackets(entry)
    if not tail or ("per" in tail and brackets):
        return []
    suffixes = [set(unit_words(" ".join(tail[start:]))) for start in range(len(tail))]
    if any(set(unit_words(part)) in suffixes for b in brackets for part in re.split(",| or ", b)):
        return []
    return [f"{name}: its description lacks [{' '.join(tail)}], the unit of its name"]


def summary_problems(docstring: str | None) -> list[str]:
    """A docstring opens with a sentence."""
    if not docstring:
        return ["has no docstring"]
    first = docstring.partition("\n\n")[0]
    return [] if first.rstrip().endswith((".", ":", "?")) else ["its first sentence has no end"]


def raised(function: FunctionNode) -> set[str]:
    """Classes of the exceptions that a function itself raises."""
    names = set()
    for node in own_statements(function):
        if isinstance(node, ast.Raise) and node.exc is not None:
            what = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
            last = ast.unparse(what).rpartition(".")[2]
            if last[:1].isupper():
                names.add(last)
    return names


def only_declares(function: FunctionNode) -> bool:
    """Whether the body is nothing but ``...``, as in a Protocol."""
    (first, *rest) = function.body
    return not rest and ast.unparse(first) == "..."


def gives(function: FunctionNode) -> str:
    """Name of the section that describes what comes out; empty for a procedure."""
    for node in own_statements(function):
        if isinstance(node, ast.Yield | ast.YieldFrom):
            return "Yields"
        if isinstance(node, ast.Return) and ast.unparse(node) not in {"return", "return None"}:
            return "Returns"
    return ""


def tells_itself(name: str, annotation: str) -> bool:
    """Whether name and annotation say what an argument is: a unit ends the name, or its type is a class."""
    words = re.findall(r"\w+", annotation)
    classes = bool(words) and all(one[0].isupper() or one in {"bool", "str", "tuple"} for one in words)
    return named_unit(name) or (classes and not NOT_TELLING & set(words))


def function_problems(function: FunctionNode, in_full: bool = False) -> list[str]:
    """What a public function's docstring lacks, or says of something that is not there.

    Where every argument tells itself, sentences do, unless it is to be described in full.
    """
    if only_declares(function):
        return []
    docstring = ast.get_docstring(function)
    problems = summary_problems(docstring)
    if not docstring or decorators(function) & {"property", "cached_property"}:
        return problems
    named = arguments(function)
    described = entries(section(docstring, "Parameters"))
    brief = not (described or in_full) and all(tells_itself(*one) for one in named.items())
    if not brief:
        problems += [f"{name}: not described under Parameters" for name in named.keys() - described]
    problems += [f"{name}: described, but no argument" for name in described.keys() - named]
    for name in named.keys() & described.keys():
        problems += unit_problems(name, described[name])
    out = gives(function)
    if out and not section(docstring, out):
        problems += result_problems(function) if brief else [f"no section {out}"]
    told = section(docstring, "Raises")
    problems += [f"raises {name}, not told under Raises" for name in raised(function) if name not in told]
    return sorted(problems)


def class_problems(node: ast.ClassDef, commented: Container[int] = ()) -> list[str]:
    """A public class has a docstring; a plain record describes its fields.

    Under Attributes, or beside a field in a comment on its line; one that tells itself needs neither.
    """
    docstring = ast.get_docstring(node)
    problems = summary_problems(docstring)
    bases = {ast.unparse(base).rpartition(".")[2] for base in node.bases}
    if not docstring or not ("NamedTuple" in bases or "dataclass" in decorators(node)):
        return problems
    told = entries(section(docstring, "Attributes") or section(docstring, "Parameters"))
    for field in node.body:
        if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name):
            name = field.target.id
            if name.startswith("_") or "ClassVar" in ast.unparse(field.annotation):
                continue
            if name not in told:
                tells = tells_itself(name, ast.unparse(field.annotation))
                if not (tells or field.lineno in commented):
                    problems.append(f"{name}: not described under Attributes")
            else:
                problems += unit_problems(name, told[name])
    return problems


def relation_problems(function: FunctionNode) -> list[str]:
    """A physical relation gives a unit for each quantity in and out, and where it comes from."""
    docstring = ast.get_docstring(function) or ""
    problems = function_problems(function, in_full=True)
    described = entries(section(docstring, "Parameters"))
    for name, annotation in arguments(function).items():
        if annotation in NOT_A_QUANTITY or name not in described:
            continue
        if not unit_brackets(described[name]):
            problems.append(f"{name}: no unit in square brackets ([-] if it has none)")
    out = section(docstring, "Returns")
    returned = ast.unparse(function.returns) if function.returns else ""
    if out and returned not in NOT_A_QUANTITY and not unit_brackets(out):
        problems.append("Returns: no unit in square brackets ([-] if it has none)")
    if not SOURCE.search(docstring):
        problems.append("no 'Source: ...', no References, no 'common practice, no source'")
    return problems


def named_unit(name: str) -> bool:
    """Whether a name of several words ends in a unit, or says what it is a share of."""
    last = name.rpartition("_")[2]
    return "_" in name and (last in UNITS or last in {"share", "rpm", "min"})


def result_problems(node: FunctionNode | ast.ClassDef) -> list[str]:
    """What a short docstring lacks: the unit of the number given, where no name tells it."""
    if isinstance(node, ast.ClassDef) or node.returns is None:
        return []
    if ast.unparse(node.returns) not in {"float", "NDArray[np.float64]", "Floats", "Reals"}:
        return []
    if named_unit(node.name) or unit_brackets(ast.get_docstring(node) or ""):
        return []
    return ["gives a number without a unit in its name or in square brackets"]
