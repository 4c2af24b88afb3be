"""One weld, one story: witnesses heard, radiographs assigned or asked about, decisions honoured, the chain checked."""
