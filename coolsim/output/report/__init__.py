"""An answer as one HTML file: the question, the answer, pictures, tables, sources and cautions."""
