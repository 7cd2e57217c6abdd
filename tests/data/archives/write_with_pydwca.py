"""An archive by pydwca: Audiovisual Core, tabs, no cell quoted."""

from dwca import DarwinCoreArchive
from dwca.classes import DataFileType, Occurrence, OutsideClass
from dwca.terms import DWCBasisOfRecord, EventDate, LifeStage, OccurrenceID, OccurrenceSex, OutsideTerm, ScientificName

AC = "http://rs.tdwg.org/ac/terms/"
TERMS = [
    f"{AC}accessURI",
    f"{AC}subjectOrientation",
    "http://purl.org/dc/terms/rights",
    "http://purl.org/dc/terms/type",
]

core = Occurrence(
    0,
    "occurrence.txt",
    [
        OccurrenceID(0),
        DWCBasisOfRecord(1),
        ScientificName(2),
        LifeStage(3),
        OccurrenceSex(4),
        EventDate(5),
        OutsideTerm(6, "http://rs.tdwg.org/dwc/terms/verbatimIdentification"),
    ],
    fields_terminated_by="\t",
    ignore_header_lines=1,
)
core.read_file(
    "o\tb\tn\tl\ts\td\tv\n"
    "o1\tHumanObservation\tRhipicephalus sanguineus\tAdult\tMale\t2024-06-01\tR. sanguineus, ♂\n"
    "o2\tHumanObservation\tAmblyomma maculatum\tNymph\t\t2024-06-02\tmaybe A. maculatum\n",
    _no_interaction=True,
)
media = OutsideClass(
    0,
    f"{AC}Multimedia",
    "media.txt",
    [OutsideTerm(number, term) for number, term in enumerate(TERMS, 1)],
    DataFileType.EXTENSION,
    fields_terminated_by="\t",
    ignore_header_lines=1,
)
media.set_core_field(OccurrenceID(0))
media.read_file(
    "i\tu\tv\tr\tt\n"
    f"o1\tback.jpg\t{AC.replace('terms', 'orient')}dorsal\thttps://creativecommons.org/licenses/by/4.0/\tStillImage\n"
    "o1\tbelly.jpg\t\thttps://creativecommons.org/licenses/by/4.0/\tStillImage\n"
    "o2\tnymph.jpg\t\tCC BY-NC-SA 4.0\tStillImage\n",
    _no_interaction=True,
)
archive = DarwinCoreArchive("larkmoor")
archive.core = core
archive.extensions.append(media)
archive.to_file("pydwca.zip", _no_interaction=True)
