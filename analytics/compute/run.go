package compute

import (
	"fmt"
	"sync"
)

// topics lists what the table is made of. A new topic is a new file and a line
// here.
func topics() [][]Method {
	return [][]Method{
		countMethods(), twoMethods(), aheadMethods(), chartMethods(), gapMethods(), lastingMethods(), alarmMethods(), changeMethods(), placeMethods(), causeMethods(), agreementMethods(), howLongMethods(),
	}
}

// table is made once: it is the same on every call.
var table = sync.OnceValue(func() []Method {
	var out []Method
	byGroup := map[Group][]Method{}
	for _, t := range topics() {
		for _, m := range t {
			byGroup[m.Group] = append(byGroup[m.Group], m)
		}
	}
	for _, g := range Groups() {
		out = append(out, byGroup[g]...)
	}
	return out
})

// Methods returns the table, by group.
func Methods() []Method { return append([]Method(nil), table()...) }

// Find returns the method of the given name, or of another name in use for it.
// The error is an [UnknownMethodError].
func Find(name string) (Method, error) {
	var names []string
	for _, m := range table() {
		if m.Name == name {
			return m, nil
		}
		names = append(names, m.Name)
	}
	other := map[string]string{}
	for _, m := range table() {
		for _, also := range m.Also {
			if also == name {
				return m, nil
			}
			other[also] = m.Name
			names = append(names, also)
		}
	}
	near := nearest(name, names)
	if m, ok := other[near]; ok {
		near = m
	}
	return Method{}, &UnknownMethodError{Name: name, Nearest: near}
}

// Run works a method out. Inputs are a decoded JSON object; they are not
// modified. What is wrong with them comes back all at once as an [InputError];
// any other error is a fault of this package.
func Run(name string, raw map[string]any) (Result, error) {
	m, err := Find(name)
	if err != nil {
		return Result{}, err
	}
	in, err := m.check(raw)
	if err != nil {
		return Result{}, err
	}
	a, err := m.run(in)
	if err != nil {
		return Result{}, m.inputError(err)
	}
	if a.sentence == "" {
		return Result{}, fmt.Errorf("compute: %s: has no sentence", m.Name)
	}
	return m.result(in, a)
}
