package take

// Files returns the picture files that path stands for, as Find does, in the order of their names: they need no numbers.
func Files(path string) ([]string, error) { return files(path) }
