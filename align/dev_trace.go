package align

var devTrace func(f *fit, what string)

func devT(f *fit, what string) {
	if devTrace != nil {
		devTrace(f, what)
	}
}
