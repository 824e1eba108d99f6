package boltkv

// WrapValue lets tests write records as the package does.
func WrapValue(key, value []byte) []byte { return wrapValue(key, value) }
