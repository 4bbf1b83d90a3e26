"""The case as a FHIR R4 document, and a document read back."""
