#include <pybind11/pybind11.h>
#include <pybind11/stl.h>

#include <lobetime/version.hpp>

// One function a room, each in its own bind_<room>.cpp; general regression, from fit to intervals, has its own,
// and so have its relatives.
void bind_core(pybind11::module_& m);
void bind_cases(pybind11::module_& m);
void bind_evidence(pybind11::module_& m);
void bind_fit(pybind11::module_& m);
void bind_inference(pybind11::module_& m);
void bind_monitor(pybind11::module_& m);
void bind_predict(pybind11::module_& m);
void bind_regression(pybind11::module_& m);
void bind_plan(pybind11::module_& m);
void bind_mixed(pybind11::module_& m);
void bind_censored(pybind11::module_& m);

PYBIND11_MODULE(_core, m) {
    m.doc() = "Compiled part of lobetime; use it through the lobetime package.";
    m.attr("__version__") = lobetime::version();
    m.def("build_facts", &lobetime::build_facts, "How the library was built: name and value of each fact.");

    // In order of dependency: a type must be bound before a signature or a default argument names it.
    bind_core(m);
    bind_cases(m);
    bind_evidence(m);
    bind_fit(m);
    bind_inference(m);
    bind_predict(m);
    bind_monitor(m);
    bind_regression(m);
    bind_plan(m);
    bind_mixed(m);
    bind_censored(m);
}
