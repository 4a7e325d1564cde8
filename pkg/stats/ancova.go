package stats

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Group is the values of one side and, a row each, the covariates beside them.
type Group struct {
	Y []float64
	X [][]float64
}

// Ancova is an analysis of covariance: parallel lines (planes) through several groups.
// Slopes are common to all groups, in units of Y a unit of a covariate.
type Ancova struct {
	Slopes   []float64
	RSS, DF  float64   // about parallel lines
	OwnRSS   []float64 // of each group about a line of its own
	OwnDF    []float64 // may be 0 or less: then there is no such line
	MeanY    []float64 // of each group
	MeanX    [][]float64
	N        []int
	within   []float64  // squared residuals about parallel lines, of each group
	inverse  *mat.Dense // of the covariates' scatter within groups, summed
	scatters []*mat.SymDense
}

// NewAncova fits groups. ok is false where the covariates do not vary within groups,
// or tell the same: then no slope can be had.
func NewAncova(groups ...Group) (a Ancova, ok bool) {
	p := len(groups[0].X[0])
	total, cross := mat.NewSymDense(p, nil), mat.NewVecDense(p, nil)
	var sy float64
	for _, g := range groups {
		own := a.add(g, p)
		total.AddSym(total, own.xx)
		cross.AddVec(cross, own.xy)
		sy += own.yy
	}
	inverse, ok := invert(total)
	if !ok {
		return a, false
	}
	var b mat.VecDense
	b.MulVec(inverse, cross)
	a.inverse, a.Slopes = inverse, b.RawVector().Data
	a.RSS = math.Max(0, sy-mat.Dot(&b, cross))
	a.DF -= float64(p)
	for g, in := range groups {
		a.within = append(a.within, 0)
		for i, row := range in.X {
			e := in.Y[i] - a.Adjusted(g, row)
			a.within[g] += e * e
		}
	}
	return a, true
}

// moments are the scatter of one group about its means.
type moments struct {
	xx *mat.SymDense
	xy *mat.VecDense
	yy float64
}

func (a *Ancova) add(g Group, p int) moments {
	m := moments{mat.NewSymDense(p, nil), mat.NewVecDense(p, nil), 0}
	my, mx := Mean(g.Y), make([]float64, p)
	for _, row := range g.X {
		for j, v := range row {
			mx[j] += v / float64(len(g.X))
		}
	}
	for i, row := range g.X {
		d := mat.NewVecDense(p, nil)
		for j, v := range row {
			d.SetVec(j, v-mx[j])
		}
		m.xx.SymRankOne(m.xx, 1, d)
		m.xy.AddScaledVec(m.xy, g.Y[i]-my, d)
		m.yy += (g.Y[i] - my) * (g.Y[i] - my)
	}
	a.N, a.MeanY, a.MeanX = append(a.N, len(g.Y)), append(a.MeanY, my), append(a.MeanX, mx)
	a.DF += float64(len(g.Y) - 1)
	a.scatters = append(a.scatters, m.xx)
	rss, used := m.yy, 0
	if inverse, ok := invert(m.xx); ok {
		rss, used = math.Max(0, m.yy-mat.Inner(m.xy, inverse, m.xy)), p
	} else if p == 1 {
		used = 0 // a covariate that stands still in the group takes nothing from it
	} else {
		rss, used = math.NaN(), len(g.Y)
	}
	a.OwnRSS, a.OwnDF = append(a.OwnRSS, rss), append(a.OwnDF, float64(len(g.Y)-1-used))
	return m
}

// invert inverts a matrix of scatter, scaled so that units do not matter.
func invert(s *mat.SymDense) (*mat.Dense, bool) {
	p := s.SymmetricDim()
	scaled := mat.NewDense(p, p, nil)
	for i := range p {
		for j := range p {
			scaled.Set(i, j, s.At(i, j)/math.Sqrt(s.At(i, i)*s.At(j, j)))
		}
		if !(s.At(i, i) > 0) {
			return nil, false
		}
	}
	var inv mat.Dense
	if inv.Inverse(scaled) != nil || mat.Cond(scaled, 1) > 1e8 {
		return nil, false
	}
	for i := range p {
		for j := range p {
			inv.Set(i, j, inv.At(i, j)/math.Sqrt(s.At(i, i)*s.At(j, j)))
		}
	}
	return &inv, true
}

// SlopeSE is the standard error of a slope, groups taken to scatter alike.
func (a Ancova) SlopeSE(j int) float64 { return math.Sqrt(a.inverse.At(j, j) * a.RSS / a.DF) }

// Adjusted is the mean of group g where the covariates are at.
func (a Ancova) Adjusted(g int, at []float64) float64 {
	y := a.MeanY[g]
	for j, b := range a.Slopes {
		y -= b * (a.MeanX[g][j] - at[j])
	}
	return y
}

// pull is S^-1 (x_to - x_from): how the difference leans on what the slopes tell.
func (a Ancova) pull(from, to []float64) *mat.VecDense {
	d := mat.NewVecDense(len(from), nil)
	for j := range from {
		d.SetVec(j, to[j]-from[j])
	}
	var out mat.VecDense
	out.MulVec(a.inverse, d)
	return &out
}

// Loads is, for the adjusted difference of group j less group i, the sum of squared
// weights of each group's values: its variance is the sum of Loads[g] times g's own.
func (a Ancova) Loads(i, j int) []float64 {
	lean := a.pull(a.MeanX[i], a.MeanX[j])
	loads := make([]float64, len(a.N))
	for g, s := range a.scatters {
		loads[g] = mat.Inner(lean, s, lean)
	}
	loads[i] += 1 / float64(a.N[i])
	loads[j] += 1 / float64(a.N[j])
	return loads
}

// Difference is the adjusted difference of group j less group i. Of two groups each has
// its own scatter, told by what the parallel lines leave over in it; both share the slopes,
// and what the one's scatter thereby puts into the other's is taken back (quadratic
// estimates without bias: Rao 1970, Journal of the American Statistical Association 65,
// 161). Without covariates it is Welch's. Where a group is too small for that, or alike is
// set, scatter is pooled; then pooled is true.
func (a Ancova) Difference(i, j int, alike bool) (c Contrast, pooled bool) {
	c.Value = a.Adjusted(j, a.MeanX[i]) - a.MeanY[i]
	loads := a.Loads(i, j)
	c.SE, c.DF = math.Sqrt((loads[i]+loads[j])*a.RSS/a.DF), a.DF
	if alike || len(a.N) != 2 {
		return c, true
	}
	v, df, ok := a.own(loads)
	if !ok {
		return c, true
	}
	share := v[i] / (v[0] + v[1])
	c.SE, c.DF = math.Sqrt(v[0]+v[1]), WelchDF(v[0], v[1], df[0], df[1])
	c.Wide = EvenT(df[i], df[j], share)
	if near := a.N[0] - a.N[1]; near*near <= 1 && a.DF < evenLineDF[len(evenLineDF)-1] {
		load := (loads[0]+loads[1])/(1/float64(a.N[0])+1/float64(a.N[1])) - 1
		c.Wide = EvenLine(a.DF, load, a.leaning(i)/float64(len(a.Slopes)), share)
	}
	return c, false
}

// leaning is how much of the slopes group g tells, of as many as there are.
func (a Ancova) leaning(g int) float64 {
	var lean mat.Dense
	lean.Mul(a.inverse, a.scatters[g])
	return mat.Trace(&lean)
}

// own is the variance of a difference with loads that each of two groups' own scatter
// makes, and its degrees of freedom; ok is false where a group is too small to tell.
func (a Ancova) own(loads []float64) (v, df [2]float64, ok bool) {
	var lean [2]mat.Dense
	var left, known [2]float64
	for g, s := range a.scatters {
		lean[g].Mul(a.inverse, s)
		left[g] = float64(a.N[g]-1) - mat.Trace(&lean[g])
	}
	square := func(g, h int) float64 {
		var m mat.Dense
		m.Mul(&lean[g], &lean[h])
		return mat.Trace(&m)
	}
	across := square(0, 1)
	for g := range known {
		known[g] = float64(a.N[g]-1) - 2*mat.Trace(&lean[g]) + square(g, g)
	}
	det := known[0]*known[1] - across*across
	if left[0] < 1 || left[1] < 1 || !(det > 1e-9) {
		return v, df, false
	}
	for g := range v {
		v[g] = loads[g] * math.Max(0, (known[1-g]*a.within[g]-across*a.within[1-g])/det)
		df[g] = left[g] * left[g] / known[g]
	}
	return v, df, true
}

// Effects are the tests of the groups, given the covariates, and of parallel lines.
func (a Ancova) Effects(groups ...Group) (between, parallel OneWay) {
	all := Group{}
	for _, g := range groups {
		all.Y, all.X = append(all.Y, g.Y...), append(all.X, g.X...)
	}
	between, parallel = noOneWay(), noOneWay()
	one, ok := NewAncova(all)
	if !ok {
		return between, parallel
	}
	between.DF1, between.DF2 = float64(len(groups)-1), a.DF
	between.Between, between.Within = one.RSS-a.RSS, a.RSS
	between = between.fisher(between.Between / between.DF1 / (a.RSS / a.DF))
	var own, df float64
	for g := range groups {
		own += a.OwnRSS[g]
		df += a.OwnDF[g]
	}
	parallel.DF1, parallel.DF2 = a.DF-df, df
	parallel.Between, parallel.Within = a.RSS-own, own
	return between, parallel.fisher((a.RSS - own) / parallel.DF1 / (own / df))
}
