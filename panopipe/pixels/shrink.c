/* See shrink.py. Worked on in tiles of columns, pair of rows by pair behind one another. Of each only what windows of
   later pairs still need is held, in rings of rows that stay in the second cache. */
#include "shrink.h"

#include <stdlib.h>

#define TILE 1024

static void take_row(const Scale *scale, const Tile *tile, Py_ssize_t row)
{
    for (Piece piece = first_piece(scale, tile); piece.count; piece = next_piece(scale, tile, piece))
        for (int plane = 0; plane < 3; plane++) {
            const float *from = scale->planes + (plane * scale->rows + row) * scale->width;
            memcpy(at(&tile->plane[plane], row) + piece.at, from + piece.column, (size_t)piece.count * sizeof(float));
        }
}

FAST static void smooth_along(const Scale *scale, const Tile *tile, Py_ssize_t row, const float *from, float *out)
{
    Py_ssize_t last = scale->columns[row], edge = 0;
    for (Py_ssize_t step = scale->from_one ? 1 : last; step <= last; step *= 2) {
        float *to = step * 2 > last ? out : row_of(tile, from == row_of(tile, SPARE) ? SPARE + 1 : SPARE);
        edge += 2 * step;
        const float *middle = from + edge;
        /* left before right, as the definition's turns */
        blend(middle - 2 * step, middle - step, middle, middle + step, middle + 2 * step, tile->stride - 2 * edge,
              to + edge);
        from = to;
    }
}

INLINE void part_lightness(const float *RESTRICT middle, const float *RESTRICT along, const float *RESTRICT down,
                           const float *RESTRICT smooth, Py_ssize_t count, float *const *band)
{
    float *RESTRICT first = band[0], *RESTRICT second = band[1], *RESTRICT third = band[2];
    for (Py_ssize_t i = 0; i < count; i++) {
        float across = down[i] - smooth[i];
        first[i] = along[i] - smooth[i];
        second[i] = across;
        third[i] = middle[i] - along[i] - across;
    }
}

INLINE float form_of(const float *noise, float a, float b, float c)
{
    return most_of(noise[0] * a + noise[1] * b + noise[2] * c + noise[3], noise[3]);
}

/* What the noise of a pair makes of the weights of its energies, and of the thresholds of the colours'. */
INLINE void weigh(const float *RESTRICT low, const float *RESTRICT next, Py_ssize_t stride, const float *noise,
                  const float *shares, const float *limit, Py_ssize_t count, float *RESTRICT light,
                  float *RESTRICT colours, float *RESTRICT one, float *RESTRICT two)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float a = (low[i] + next[i]) * 0.5f;
        float b = (low[i + stride] + next[i + stride]) * 0.5f;
        float c = (low[i + 2 * stride] + next[i + 2 * stride]) * 0.5f;
        float first = form_of(noise + 4, a, b, c) * shares[0], second = form_of(noise + 8, a, b, c) * shares[1];
        float both = 1.0f / (first + second);
        light[i] = 1.0f / form_of(noise, a, b, c);
        colours[i] = both;
        one[i] = first * both * limit[0];
        two[i] = second * both * limit[1];
    }
}

INLINE void reckon_energy(const float *RESTRICT detail, const float *RESTRICT next, const float *RESTRICT weight,
                          float precision, Py_ssize_t count, float *RESTRICT energy)
{
    for (Py_ssize_t i = 0; i < count; i++)
        energy[i] = (detail[i] * detail[i] + next[i] * next[i]) * (precision * weight[i]);
}

INLINE void take_off(const float *RESTRICT from, const float *RESTRICT what, Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = from[i] - what[i];
}

INLINE void reckon_both(const float *RESTRICT colour, const float *RESTRICT next, const float *RESTRICT light,
                        const float *RESTRICT next_light, const float *RESTRICT weight, Py_ssize_t count,
                        float *RESTRICT both)
{
    for (Py_ssize_t i = 0; i < count; i++)
        both[i] = (light[i] * colour[i] + next_light[i] * next[i]) * weight[i];
}

/* Sums of five values, pair by pair outwards. */
INLINE void add(const float *RESTRICT one, const float *RESTRICT two, const float *RESTRICT three,
                const float *RESTRICT four, const float *RESTRICT five, Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = three[i] + (two[i] + four[i]) + (one[i] + five[i]);
}

INLINE void add_three(const float *RESTRICT one, const float *RESTRICT two, const float *RESTRICT three,
                      Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = two[i] + (one[i] + three[i]);
}

INLINE void sum_along(const Tile *tile, const float *values, Py_ssize_t step, Py_ssize_t pair, int number)
{
    const float *from = values + tile->halo;
    add(from - 2 * step, from - step, from, from + step, from + 2 * step, tile->count,
        at(&tile->sum[number], pair) + tile->halo);
}

INLINE void sum_down(const Tile *tile, Py_ssize_t step, Py_ssize_t reach, Py_ssize_t pair, int number, float *out)
{
    const Ring *sum = &tile->sum[number];
    const float *before = at(sum, pair - step) + tile->halo, *after = at(sum, pair + step) + tile->halo;
    const float *here = at(sum, pair) + tile->halo;
    if (reach == step)
        add_three(before, here, after, tile->count, out);
    else
        add(at(sum, pair - reach) + tile->halo, before, here, after, at(sum, pair + reach) + tile->halo, tile->count,
            out);
}

/* The detail of a pair, whose first row is `row`, and the sums of its energies along it. */
FAST static void part_pair(const Scale *scale, Tile *tile, Py_ssize_t pair, Py_ssize_t row)
{
    Py_ssize_t columns = scale->columns[row], edge = tile->halo - WINDOW_REACH * columns, count = tile->stride - 2 * edge;
    const float *shares = scale->shares + 5 * row, *low = row_of(tile, SMOOTH) + edge;
    float *light[2], *detail[DETAILS][2], limit[COLOURS];
    float *weight = row_of(tile, SPARE) + edge, *of_colours = row_of(tile, SPARE + 1) + edge;
    float *energy = row_of(tile, SPARE + 2);
    for (int i = 0; i < COLOURS; i++)
        limit[i] = scale->control[2 * i + 2] * window_of(scale);
    weigh(low, low + OF_ROW * tile->stride, tile->stride, scale->noise, shares + BANDS, limit, count, weight,
          of_colours, at(&tile->threshold[0], pair) + edge, at(&tile->threshold[1], pair) + edge);
    for (int j = 0; j < 2; j++) {
        const float *smooth = low + j * OF_ROW * tile->stride, *along = row_of(tile, ALONG + j * OF_ROW) + edge;
        for (int i = 0; i < DETAILS; i++)
            detail[i][j] = at(&tile->detail[i], row + j) + edge;
        float *bands[BANDS] = {detail[0][j], detail[1][j], detail[2][j]};
        const float *middle = at(&tile->plane[0], row + j) + edge;
        part_lightness(middle, along, row_of(tile, DOWN + j * OF_ROW) + edge, smooth, count, bands);
        light[j] = row_of(tile, SPARE + 3 + j) + edge;
        take_off(middle, smooth, count, light[j]);
        for (int i = 0; i < COLOURS; i++)
            take_off(at(&tile->plane[i + 1], row + j) + edge, smooth + (i + 1) * tile->stride, count,
                     detail[COLOUR + i][j]);
    }
    for (int i = 0; i < BANDS; i++) {
        reckon_energy(detail[i][0], detail[i][1], weight, 1.0f / shares[i], count, energy + edge);
        sum_along(tile, energy, columns, pair, i);
    }
    reckon_energy(light[0], light[1], of_colours, 1.0f, count, energy + edge);
    sum_along(tile, energy, columns, pair, LIT);
    for (int i = 0; i < COLOURS; i++) {
        float **colour = detail[COLOUR + i];
        reckon_energy(colour[0], colour[1], of_colours, 1.0f, count, energy + edge);
        sum_along(tile, energy, columns, pair, OWN + i);
        reckon_both(colour[0], colour[1], light[0], light[1], of_colours, count, energy + edge);
        sum_along(tile, energy, columns, pair, BOTH + i);
    }
}

/* Shares of the bands that go, instead of their energies. */
INLINE void judge_lightness(float limit, Py_ssize_t count, float *RESTRICT energy)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float ratio = limit / most_of(energy[i], limit);
        energy[i] = ratio * ratio;
    }
}

/* Of a colour how it goes with lightness, and the share that goes of what differs from that. */
INLINE void judge_colour(const float *RESTRICT lit, const float *RESTRICT threshold, Py_ssize_t count,
                         float *RESTRICT own, float *RESTRICT both)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float slope = both[i] * lit[i], limit = threshold[i];
        float ratio = limit / most_of(own[i] - slope * both[i], limit);
        own[i] = ratio * ratio;
        both[i] = slope;
    }
}

INLINE void invert(float *RESTRICT values, Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++)
        values[i] = 1.0f / most_of(values[i], LEAST_ENERGY);
}

/* Of a row as it is if it is `fresh`, else of what `change` holds. */
INLINE void take_lightness(const float *RESTRICT a, const float *RESTRICT b, const float *RESTRICT c,
                           float *const *goes, float share, int fresh, const float *RESTRICT row, Py_ssize_t count,
                           float *RESTRICT change, float *RESTRICT stays)
{
    const float *RESTRICT of_a = goes[0], *RESTRICT of_b = goes[1], *RESTRICT of_c = goes[2];
    for (Py_ssize_t i = 0; i < count; i++) {
        float gone = a[i] * of_a[i] + b[i] * of_b[i] + c[i] * of_c[i];
        stays[i] = a[i] + b[i] + c[i] - gone;
        change[i] = (fresh ? row[i] : change[i]) - share * gone;
    }
}

INLINE void take_colour(const float *RESTRICT detail, const float *RESTRICT slope, const float *RESTRICT goes,
                        const float *RESTRICT light, float share, int fresh, const float *RESTRICT row,
                        Py_ssize_t count, float *RESTRICT change)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float rest = detail[i] - slope[i] * light[i];
        change[i] = (fresh ? row[i] : change[i]) - share * (rest * goes[i]);
    }
}

/* Judge a pair, and take what goes off those of its two rows that are wanted. */
FAST static void take_what_goes(const Scale *scale, Tile *tile, Py_ssize_t pair, Py_ssize_t row, Py_ssize_t top)
{
    Py_ssize_t halo = tile->halo, count = tile->count, plane_size = scale->results * scale->width;
    int fresh = scale->fresh != 0;
    float *sum[SUMS], *light = row_of(tile, SPARE + 5), limit = scale->control[0] * window_of(scale);
    for (int i = 0; i < SUMS; i++) {
        sum[i] = row_of(tile, i);
        sum_down(tile, step_of(scale), reach_of(scale), pair, i, sum[i]);
    }
    for (int i = 0; i < BANDS; i++)
        judge_lightness(limit, count, sum[i]);
    invert(sum[LIT], count);
    for (int i = 0; i < COLOURS; i++)
        judge_colour(sum[LIT], at(&tile->threshold[i], pair) + halo, count, sum[OWN + i], sum[BOTH + i]);
    for (Py_ssize_t end = row + 2; row < end; row++) {
        if (row < top || row >= top + scale->results)
            continue;
        float *change = scale->change + (row - top) * scale->width + tile->first;
        take_lightness(at(&tile->detail[0], row) + halo, at(&tile->detail[1], row) + halo,
                       at(&tile->detail[2], row) + halo, sum, scale->control[1], fresh,
                       at(&tile->plane[0], row) + halo, count, change, light);
        for (int i = 0; i < COLOURS; i++)
            take_colour(at(&tile->detail[COLOUR + i], row) + halo, sum[BOTH + i], sum[OWN + i], light,
                        scale->control[2 * i + 3], fresh, at(&tile->plane[i + 1], row) + halo, count,
                        change + (i + 1) * plane_size);
    }
}

/* Mean of two by two pixels. */
INLINE void mean_of_four(const float *RESTRICT upper, const float *RESTRICT lower, Py_ssize_t width,
                         float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < width; i++)
        out[i] = ((upper[2 * i] + upper[2 * i + 1]) + (lower[2 * i] + lower[2 * i + 1])) * 0.25f;
}

/* Of the smooth planes that are left: the row, which is the second of its pair or not, or the mean of both. */
FAST static void leave(const Scale *scale, const Tile *tile, Py_ssize_t row, int second)
{
    Py_ssize_t by = scale->left_width < scale->width ? 2 : 1, number = row - 2 * scale->spacing - scale->skip + 1 - by;
    if (number < 0 || number / by >= scale->left || (by == 2 && !second))
        return;
    const float *smooth = row_of(tile, SMOOTH + second * OF_ROW) + tile->halo;
    float *to = scale->smooth + number / by * scale->left_width + tile->first / by;
    for (int plane = 0; plane < 3; plane++, smooth += tile->stride, to += scale->left * scale->left_width) {
        if (by == 2)
            mean_of_four(smooth - OF_ROW * tile->stride, smooth, tile->count / 2, to);
        else
            memcpy(to, smooth, (size_t)tile->count * sizeof(float));
    }
}

/* Smooth planes of one row of a pair. */
FAST static void smooth_row(const Scale *scale, Tile *tile, Py_ssize_t row, int second)
{
    Py_ssize_t step = scale->spacing;
    for (int plane = 0; plane < 3; plane++) {
        const Ring *ring = &tile->plane[plane];
        float *down = row_of(tile, second * OF_ROW + DOWN + plane);
        blend(at(ring, row - 2 * step), at(ring, row - step), at(ring, row), at(ring, row + step),
              at(ring, row + 2 * step), tile->stride, down);
        smooth_along(scale, tile, row, down, row_of(tile, second * OF_ROW + SMOOTH + plane));
    }
    smooth_along(scale, tile, row, at(&tile->plane[0], row), row_of(tile, second * OF_ROW + ALONG));
}

static void work_on_tile(const Scale *scale, Tile *tile)
{
    Py_ssize_t around = 2 * scale->spacing, reach = reach_of(scale), odd = scale->odd;
    Py_ssize_t top = (scale->rows - scale->results) / 2, end = top + scale->results;
    Py_ssize_t first = (top + odd) / 2, last = (end - 1 + odd) / 2; /* pairs that are wanted */
    for (Py_ssize_t pair = 0; 2 * pair - odd < scale->rows - around; pair++) {
        int whole = 1;
        for (int second = 0; second < 2; second++) {
            Py_ssize_t row = 2 * pair - odd + second;
            if (row < around || row >= scale->rows - around) {
                whole = 0;
                continue;
            }
            for (; tile->taken <= row + around; tile->taken++)
                scale->take_row(scale, tile, tile->taken);
            smooth_row(scale, tile, row, second);
            leave(scale, tile, row, second);
        }
        if (!whole || pair < first - reach || pair > last + reach)
            continue;
        part_pair(scale, tile, pair, 2 * pair - odd);
        if (pair - reach >= first)
            take_what_goes(scale, tile, pair - reach, 2 * (pair - reach) - odd, top);
    }
}

static Py_ssize_t rows_for(Py_ssize_t needed)
{
    Py_ssize_t rows = 1;
    while (rows < needed)
        rows *= 2;
    return rows;
}

static float *cut_rings(Ring *rings, int count, Py_ssize_t rows, Py_ssize_t stride, float *memory)
{
    for (int i = 0; i < count; i++, memory += rows * stride)
        rings[i] = (Ring){rows - 1, stride, memory};
    return memory;
}

static int shrink_scale(const Scale *scale)
{
    Py_ssize_t widest = 1;
    for (Py_ssize_t row = 0; row < scale->rows; row++)
        widest = scale->columns[row] > widest ? scale->columns[row] : widest;
    Tile tile = {.halo = (4 + WINDOW_REACH) * widest};
    tile.stride = TILE + 2 * tile.halo;
    Py_ssize_t reach = reach_of(scale), held = rows_for(2 * reach + 2), judged = rows_for(reach + 1);
    Py_ssize_t taken = rows_for(2 * (reach + scale->spacing) + 2), summed = rows_for(2 * reach + 1);
    Py_ssize_t rows = 3 * taken + DETAILS * held + COLOURS * judged + SUMS * summed + ROWS;
    float *memory = calloc((size_t)(rows * tile.stride), sizeof(float));
    if (!memory)
        return -1;
    float *next = cut_rings(tile.plane, 3, taken, tile.stride, memory);
    next = cut_rings(tile.detail, DETAILS, held, tile.stride, next);
    next = cut_rings(tile.threshold, COLOURS, judged, tile.stride, next);
    tile.rows = cut_rings(tile.sum, SUMS, summed, tile.stride, next);
    for (tile.first = 0; tile.first < scale->width; tile.first += TILE) {
        tile.count = scale->width - tile.first < TILE ? scale->width - tile.first : TILE;
        tile.taken = 0;
        work_on_tile(scale, &tile);
    }
    free(memory);
    return 0;
}

static const Argument arguments[] = {
    {"planes", 'f', 0, 3, {3, -1, -2}}, {"columns", 'i', 0, 1, {-1}},  {"noise", 'f', 0, 2, {3, 4}},
    {"shares", 'f', 0, 2, {-1, 5}},     {"control", 'f', 0, 2, {3, 2}}, {"smooth", 'f', 1, 3, {3, -3, -4}},
    {"change", 'f', 1, 3, {3, -5, -2}}};

const char *shrink_fault(const Scale *scale)
{
    Py_ssize_t by = scale->left_width < scale->width ? 2 : 1;
    if (scale->spacing < 1 || (scale->spacing > 1 && scale->spacing % 2) || scale->odd < 0 || scale->odd > 1)
        return "spacing, odd: spacing is neither 1 nor even, or odd is neither 0 nor 1";
    if (scale->skip < 0 || by * scale->left_width != scale->width || (by == 2 && (scale->skip + scale->odd) % 2)
        || scale->skip + by * scale->left > scale->rows - 4 * scale->spacing)
        return "smooth: not in the planes less four spacings, or not whole pairs";
    if (scale->results > scale->rows - 8 * scale->spacing - 2 || (scale->rows - scale->results) % 2)
        return "change: not the middle rows of the planes less the lost ones";
    for (Py_ssize_t row = 0; row < scale->rows; row++) {
        if (scale->columns[row] < 1 || 6 * scale->columns[row] > scale->width)
            return "columns: six steps must fit into the width";
        if ((row + scale->odd) % 2 && row && scale->columns[row] != scale->columns[row - 1])
            return "columns: not alike in a pair";
    }
    return NULL;
}

PyObject *end_shrink(const Scale *scale, Arrays *arrays, const char *fault)
{
    int failed = 0;
    if (!fault) {
        Py_BEGIN_ALLOW_THREADS
        failed = shrink_scale(scale);
        Py_END_ALLOW_THREADS
    }
    return end_arrays(arrays, failed, fault);
}

PyObject *shrink_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[7];
    Arrays arrays;
    Scale scale;
    (void)self;
    if (!PyArg_ParseTuple(args, "OnnOOOOnnnOO", &given[0], &scale.spacing, &scale.from_one, &given[1], &given[2],
                          &given[3], &given[4], &scale.odd, &scale.skip, &scale.fresh, &given[5], &given[6])
        || open_arrays(given, arguments, 7, &arrays) < 0)
        return NULL;
    scale.rows = arrays.length[0];
    scale.width = arrays.length[1];
    scale.left = arrays.length[2];
    scale.left_width = arrays.length[3];
    scale.results = arrays.length[4];
    scale.take_row = take_row;
    scale.planes = arrays.view[0].buf;
    scale.columns = arrays.view[1].buf;
    scale.noise = arrays.view[2].buf;
    scale.shares = arrays.view[3].buf;
    scale.control = arrays.view[4].buf;
    scale.smooth = arrays.view[5].buf;
    scale.change = arrays.view[6].buf;
    return end_shrink(&scale, &arrays, shrink_fault(&scale));
}
