"""Sources that several rows name."""

from __future__ import annotations

BREGMA = "Localization of the bregma and its clinical relevance, Anatomy 2018;12(3):135-139"
SCALP_ARCS = "Techataweewan N et al., J Med Assoc Thai 2017;100(9):1007"
BOW = "J Neurosurg 2013;118(3):510-513, doi 10.3171/2012.11.JNS12477"
ANSUR = "ANSUR II; method: Gordon CC et al., NATICK/TR-15/007, 2014"
HOWELLS = "W. W. Howells' craniometric data set"
LIVING = "a public table of tape measures in living adults"
SINUS_POSITION = (
    "Clin Neurol Neurosurg 2011;113(2):89-91, doi 10.1016/j.clineuro.2010.09.006; "
    "J Neurosurg 2001;94(6):985-7, doi 10.3171/jns.2001.94.6.0985"
)
SINUS_WIDTH = "Oberman DZ et al., Surg Neurol Int 2020;11:309; PMID 20711726"
SLOPE = "Park J et al., J Neurosurg, on calvarial slope and a perpendicular trajectory"
MONITORING = "Intracranial pressure monitoring, Eur J Anaesthesiol 2008"
FREEHAND = "Brioschi V et al., Vet Rec Open 2016, doi 10.1136/vetreco-2016-000172"
TAPE_READERS = "Thakkar PA et al., J Nepal Paediatr Soc 2017, observer variability of head tapes"
TEACHING = "textbook and teaching definitions; several rules are in use and differ"
FRONTAL_THICK = "Vukovic M et al., Arch Ital Biol (908 MRI)"
CALVARIA = "Moreira-Gonzalez A et al., Plast Reconstr Surg, doi 10.1097/01.prs.0000209933.78532.a7"
SLICES = "J Forensic Radiol Imaging 2015, doi 10.1016/j.jofri.2015.10.004"
RADIOLOGY = "radiology tables of CT values"
