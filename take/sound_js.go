package take

import "context"

// listen finds nothing: the page has no sound of a take's files.
func (t *opening) listen(context.Context) (bool, error) { return false, nil }
