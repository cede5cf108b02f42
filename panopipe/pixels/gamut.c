/* See gamut.py. */
#include "functions.h"
#include "gamut.h"

#define HALVINGS 22

typedef struct {
    float grey[BLOCK], top[BLOCK], share[BLOCK];
    Planes first, second, third;
} Cubics;

INLINE float mixed(const float *weights, float red, float green, float blue)
{
    return weights[0] * red + weights[1] * green + weights[2] * blue;
}

INLINE float cubic_at(float share, float grey, float first, float second, float third)
{
    return ((third * share + second) * share + first) * share + grey;
}

INLINE void find_cubics(const Planes *RESTRICT in, int count, const Line *RESTRICT line, float ceiling,
                        Cubics *RESTRICT out)
{
    const float *srgb = line->srgb;
    for (int i = 0; i < count; i++) {
        float red = in->red[i], green = in->green[i], blue = in->blue[i];
        float l = cube_root(mixed(line->cones, red, green, blue));
        float m = cube_root(mixed(line->cones + 3, red, green, blue));
        float s = cube_root(mixed(line->cones + 6, red, green, blue));
        float lightness = least_of(most_of(mixed(line->lightness, l, m, s), 0), 1);
        float tint_l = mixed(line->tints, l, m, s), square_l = tint_l * tint_l;
        float tint_m = mixed(line->tints + 3, l, m, s), square_m = tint_m * tint_m;
        float tint_s = mixed(line->tints + 6, l, m, s), square_s = tint_s * tint_s;
        float triple = 3 * lightness, grey = lightness * lightness * lightness;
        float slope = triple * lightness;
        out->grey[i] = grey;
        out->top[i] = most_of(ceiling, grey);
        out->first.red[i] = slope * mixed(srgb, tint_l, tint_m, tint_s);
        out->first.green[i] = slope * mixed(srgb + 3, tint_l, tint_m, tint_s);
        out->first.blue[i] = slope * mixed(srgb + 6, tint_l, tint_m, tint_s);
        out->second.red[i] = triple * mixed(srgb, square_l, square_m, square_s);
        out->second.green[i] = triple * mixed(srgb + 3, square_l, square_m, square_s);
        out->second.blue[i] = triple * mixed(srgb + 6, square_l, square_m, square_s);
        out->third.red[i] = mixed(srgb, square_l * tint_l, square_m * tint_m, square_s * tint_s);
        out->third.green[i] = mixed(srgb + 3, square_l * tint_l, square_m * tint_m, square_s * tint_s);
        out->third.blue[i] = mixed(srgb + 6, square_l * tint_l, square_m * tint_m, square_s * tint_s);
        out->share[i] = 0;
    }
}

/* Colours of the cubics, each at its own share of chroma and `further`. */
INLINE void colours_at(const Cubics *RESTRICT c, int count, float further, Planes *RESTRICT out)
{
    for (int i = 0; i < count; i++) {
        float share = c->share[i] + further;
        out->red[i] = cubic_at(share, c->grey[i], c->first.red[i], c->second.red[i], c->third.red[i]);
        out->green[i] = cubic_at(share, c->grey[i], c->first.green[i], c->second.green[i], c->third.green[i]);
        out->blue[i] = cubic_at(share, c->grey[i], c->first.blue[i], c->second.blue[i], c->third.blue[i]);
    }
}

FAST void fit_planes(Planes *planes, int count, const Line *line, float ceiling)
{
    Cubics cubics;
    find_cubics(planes, count, line, ceiling, &cubics);
    float step = 1;
    for (int round = 0; round < HALVINGS; round++) {
        step *= 0.5f;
        colours_at(&cubics, count, step, planes);
        for (int i = 0; i < count; i++) {
            float least = least_of(least_of(planes->red[i], planes->green[i]), planes->blue[i]);
            float most = most_of(most_of(planes->red[i], planes->green[i]), planes->blue[i]);
            float beyond = most_of(most - cubics.top[i], -least);
            cubics.share[i] += beyond <= 0 ? step : 0;
        }
    }
    colours_at(&cubics, count, 0, planes);
}

static void fit(float *pixels, Py_ssize_t count, const Line *line, float ceiling)
{
    Planes planes;
    for (Py_ssize_t first = 0; first < count; first += BLOCK) {
        int taken = count - first < BLOCK ? (int)(count - first) : BLOCK;
        take_apart(pixels + 3 * first, taken, &planes);
        fit_planes(&planes, taken, line, ceiling);
        put_together(&planes, taken, pixels + 3 * first);
    }
}

static const Argument arguments[] = {{"pixels", 'f', 1, 2, {-1, 3}}, {"line", 'f', 0, 2, {10, 3}}};

PyObject *fit_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[2];
    Arrays arrays;
    float ceiling;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOf", &given[0], &given[1], &ceiling)
        || open_arrays(given, arguments, 2, &arrays) < 0)
        return NULL;
    Py_BEGIN_ALLOW_THREADS
    fit(arrays.view[0].buf, arrays.length[0], arrays.view[1].buf, ceiling);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
