"""What every room stands on and nobody asks about: fields, errors, files, processes, text that can be shown."""
