"""A quarter's sealed file: laid out, signed and checked as bytes; reads no database and no file."""
