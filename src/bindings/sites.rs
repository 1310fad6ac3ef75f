//! The joint density of many sites for Python.

use super::calibration::{
    GivenBlock, GivenCoordinates, GivenFit, GivenSampling, GivenState, Matrix, PySite, TakenCoordinates, TakenFit,
    advance, fit, matrix, mode, rows, settle,
};
use super::errors::to_python;
use super::watch::pooled;
use crate::calibration::{Density, Joint};
use crate::error::Result;
use numpy::{PyArray1, PyReadonlyArray1, PyReadonlyArray2};
use pyo3::prelude::*;

/// The joint density of many sites.
#[pyclass(frozen, name = "Sites", module = "matledger._core")]
pub struct PySites {
    sites: Vec<Py<PySite>>,
    rows: Vec<Vec<f64>>,
    scatter_sd: f64,
}

impl PySites {
    fn joint(&self) -> Result<Joint<'_>> {
        Joint::new(self.sites.iter().map(|site| &site.get().0).collect(), self.rows.clone(), self.scatter_sd)
    }
}

#[pymethods]
impl PySites {
    #[new]
    fn new(
        py: Python<'_>,
        sites: Vec<Py<PySite>>,
        covariates: PyReadonlyArray2<'_, f64>,
        scatter_sd: f64,
    ) -> PyResult<Self> {
        let found = Self { sites, rows: rows(&covariates), scatter_sd };
        found.joint().map_err(|error| to_python(py, error))?;
        Ok(found)
    }

    /// Names of the coordinates, with the number of their site; then effects and scatter.
    #[getter]
    fn names(&self) -> Vec<String> {
        let of_site = |(s, site): (usize, &Py<PySite>)| {
            site.get().0.names().iter().map(|name| format!("{s} {name}")).collect::<Vec<_>>()
        };
        let mut names: Vec<String> = self.sites.iter().enumerate().flat_map(of_site).collect();
        names.extend((0..self.rows.first().map_or(0, Vec::len)).map(|k| format!("effect {k}")));
        names.push("log scatter".to_owned());
        names
    }

    fn log_density_and_gradient<'py>(
        &self,
        py: Python<'py>,
        z: PyReadonlyArray1<'py, f64>,
    ) -> PyResult<(f64, Bound<'py, PyArray1<f64>>)> {
        let z = z.as_array().to_vec();
        let mut gradient = vec![0.0; z.len()];
        let find = || self.joint()?.log_density(&z, &mut gradient);
        let log_density = pooled(py, find).map_err(|error| to_python(py, error))?;
        Ok((log_density, PyArray1::from_vec(py, gradient)))
    }

    #[pyo3(signature = (tell=None))]
    fn find_mode<'py>(&self, py: Python<'py>, tell: Option<Py<PyAny>>) -> PyResult<TakenFit<'py>> {
        mode(py, tell, |stop| self.joint()?.find(stop))
    }

    #[pyo3(signature = (given, asked, chains, tell=None))]
    fn settle_chains<'py>(
        &self,
        py: Python<'py>,
        given: GivenFit<'py>,
        asked: GivenSampling,
        chains: usize,
        tell: Option<Py<PyAny>>,
    ) -> PyResult<(TakenCoordinates<'py>, Vec<GivenState>)> {
        let (joint, fit) = (self.joint().map_err(|error| to_python(py, error))?, fit(&given));
        settle(py, &joint, || joint.coordinates(&fit), asked, chains, tell)
    }

    #[pyo3(signature = (given, coordinates, asked, states, draws, tell=None))]
    #[expect(clippy::too_many_arguments)]
    fn advance_chains<'py>(
        &self,
        py: Python<'py>,
        given: GivenFit<'py>,
        coordinates: GivenCoordinates<'py>,
        asked: GivenSampling,
        states: Vec<GivenState>,
        draws: usize,
        tell: Option<Py<PyAny>>,
    ) -> PyResult<Vec<(GivenBlock<'py>, GivenState)>> {
        let joint = self.joint().map_err(|error| to_python(py, error))?;
        advance(py, &joint, joint.bends(&fit(&given)), coordinates, asked, states, draws, tell)
    }

    /// Coordinates of one site, a row for each row of the joint's.
    fn site_coordinates<'py>(
        &self,
        py: Python<'py>,
        site: usize,
        z: PyReadonlyArray2<'py, f64>,
    ) -> PyResult<Matrix<'py>> {
        let joint = self.joint().map_err(|error| to_python(py, error))?;
        let own: Vec<Vec<f64>> = rows(&z).iter().map(|z| joint.site_coordinates(site, z)).collect();
        matrix(py, &own)
    }
}
