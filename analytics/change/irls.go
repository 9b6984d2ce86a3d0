package change

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// working is the state of a fit by iteratively reweighted least squares.
type working struct {
	beta       []float64
	eta, mu    []float64
	deviance   float64
	theta      float64 // 0 for Poisson
	covariance [][]float64
}

const (
	maxRounds = 200
	// Beyond this many units of the logarithm from the average rate a fitted
	// rate is no estimate but a limit: some level has no case at all.
	farRate = 25
)

// fit fits a Poisson regression, or for theta above 0 a negative binomial one
// with that theta held, and returns in words why there is none. Each step
// solves the weighted least squares by QR, which keeps twice the digits of the
// normal equations; a step that makes the fit worse is halved.
func (w *working) fit(d design, theta float64) (obstacle string) {
	n, p := len(d.y), len(d.columns)
	w.theta = theta
	start := w.beta
	w.beta = make([]float64, p)
	w.eta, w.mu = make([]float64, n), make([]float64, n)
	sum, exposure := 0.0, 0.0
	for i, y := range d.y {
		sum += y
		exposure += math.Exp(d.offset[i])
	}
	average := math.Log(sum / exposure)
	// Columns are brought to one size, so that months and hours mix.
	scale := make([]float64, p)
	for j, c := range d.columns {
		for _, v := range c.values {
			scale[j] = max(scale[j], math.Abs(v))
		}
		if scale[j] == 0 {
			return fmt.Sprintf("%s is zero in every row: nothing can be learnt about it", c.name)
		}
	}
	if len(start) == p {
		copy(w.beta, start)
	} else {
		w.beta[0] = average
	}
	w.predict(d, w.beta)
	w.deviance = w.devianceOf(d.y, w.mu)
	x, z := mat.NewDense(n, p, nil), mat.NewVecDense(n, nil)
	var qr mat.QR
	settled := false
	for round := 0; round < maxRounds && !settled; round++ {
		for i := range n {
			root := math.Sqrt(w.weight(i))
			for j, c := range d.columns {
				x.Set(i, j, root*c.values[i]/scale[j])
			}
			z.SetVec(i, root*(w.eta[i]-d.offset[i]+(d.y[i]-w.mu[i])/w.mu[i]))
		}
		qr.Factorize(x)
		if j := dependent(&qr, p); j >= 0 {
			return fmt.Sprintf("%s tells nothing that the terms before it do not: leave one out", d.columns[j].name)
		}
		var b mat.VecDense
		if err := qr.SolveVecTo(&b, false, z); err != nil {
			if _, ill := err.(mat.Condition); !ill {
				return "the terms cannot be told apart: leave some out"
			}
		}
		settled = w.step(d, &b, scale)
	}
	for i := range n {
		if r := w.eta[i] - d.offset[i] - average; !(math.Abs(r) <= farRate) {
			return "a coefficient has no finite value: some level or combination has no case at all; group levels"
		}
	}
	if !settled {
		return "the fit did not settle: the terms hardly differ, or a level has hardly a case"
	}
	return w.covarianceOf(d, &qr, scale)
}

// step moves towards the solution of one round, halving the way while the
// deviance rises, and reports whether nothing moves any more.
func (w *working) step(d design, b *mat.VecDense, scale []float64) (settled bool) {
	p := len(scale)
	target, old := make([]float64, p), append([]float64(nil), w.beta...)
	move := 0.0
	for j := range target {
		target[j] = b.AtVec(j) / scale[j]
		// Movement counts by what it does to the rates.
		move = max(move, math.Abs(target[j]-old[j])*scale[j])
	}
	before := w.deviance
	for half := 0; half < 30; half++ {
		w.predict(d, target)
		w.deviance = w.devianceOf(d.y, w.mu)
		if w.deviance <= before+1e-9*(math.Abs(before)+1) {
			break
		}
		for j := range target {
			target[j] = (target[j] + old[j]) / 2
		}
	}
	w.beta = target
	return move < 1e-11
}

func (w *working) predict(d design, beta []float64) {
	for i := range d.y {
		e := d.offset[i]
		for j, c := range d.columns {
			e += beta[j] * c.values[i]
		}
		// Rates past any data would overflow and make every later number NaN.
		w.eta[i] = min(max(e, d.offset[i]-300), d.offset[i]+300)
		w.mu[i] = max(math.Exp(w.eta[i]), 1e-280)
	}
}

// weight is the weight of a row: the inverse variance of its logarithm.
func (w *working) weight(i int) float64 {
	if w.theta > 0 {
		return w.mu[i] / (1 + w.mu[i]/w.theta)
	}
	return w.mu[i]
}

// devianceOf is twice the log-likelihood lost against a perfect fit.
func (w *working) devianceOf(y, mu []float64) float64 {
	sum := 0.0
	for i := range y {
		d := mu[i] - y[i]
		if y[i] > 0 {
			d = y[i] * math.Log(y[i]/mu[i])
			if w.theta == 0 {
				d += mu[i] - y[i]
			}
		}
		if w.theta > 0 {
			if y[i] == 0 {
				d = 0
			}
			d -= (y[i] + w.theta) * math.Log((y[i]+w.theta)/(mu[i]+w.theta))
		}
		sum += 2 * d
	}
	return sum
}

func (w *working) pearson(y []float64) float64 {
	sum := 0.0
	for i := range y {
		v := w.mu[i]
		if w.theta > 0 {
			v += v * v / w.theta
		}
		sum += (y[i] - w.mu[i]) * (y[i] - w.mu[i]) / v
	}
	return sum
}

// dependent returns a column that depends on those before it, or -1: its part
// at right angles to them, on the diagonal of R, is as good as nothing.
func dependent(qr *mat.QR, p int) int {
	var r mat.Dense
	qr.RTo(&r)
	for j := range p {
		size := 0.0
		for i := 0; i <= j; i++ {
			size += r.At(i, j) * r.At(i, j)
		}
		if !(math.Abs(r.At(j, j)) > 1e-10*math.Sqrt(size)) {
			return j
		}
	}
	return -1
}

// covarianceOf inverts the information of the last round: (R'R)^-1.
func (w *working) covarianceOf(d design, qr *mat.QR, scale []float64) string {
	p := len(scale)
	var r mat.Dense
	qr.RTo(&r)
	upper := mat.NewTriDense(p, mat.Upper, nil)
	for i := range p {
		for j := i; j < p; j++ {
			upper.SetTri(i, j, r.At(i, j))
		}
	}
	var inverse mat.TriDense
	if err := inverse.InverseTri(upper); err != nil {
		if _, ill := err.(mat.Condition); !ill {
			return "the terms cannot be told apart: leave some out"
		}
	}
	w.covariance = make([][]float64, p)
	for i := range p {
		w.covariance[i] = make([]float64, p)
		for j := range p {
			for k := max(i, j); k < p; k++ {
				w.covariance[i][j] += inverse.At(i, k) * inverse.At(j, k)
			}
			w.covariance[i][j] /= scale[i] * scale[j]
			if math.IsNaN(w.covariance[i][j]) || math.IsInf(w.covariance[i][j], 0) {
				return "the terms cannot be told apart: leave some out"
			}
		}
	}
	return ""
}
